"""A session with a microphone and a speaker: whose turn it is, when an utterance is over, what to do when devices fail.

`Conversation` is the loop; it runs over the real sound devices (`DeviceSound`) and over recordings
(`FileSound`) alike. Sound devices are held by a process of their own (`sound_process`).
"""

from voicelog.live.conversation import Conversation, LiveSettings, Timing
from voicelog.live.device_sound import DeviceSound
from voicelog.live.file_sound import FileSound
from voicelog.live.mouth import Mouth
from voicelog.live.reminders import Reminders
from voicelog.live.screen import LargeScreen, LineScreen, Screen, View

__all__ = [
    "Conversation",
    "DeviceSound",
    "FileSound",
    "LargeScreen",
    "LineScreen",
    "LiveSettings",
    "Mouth",
    "Reminders",
    "Screen",
    "Timing",
    "View",
]
