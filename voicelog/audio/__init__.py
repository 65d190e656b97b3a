"""Sound in and out: files, noise suppression, cutting into utterances, the spoken voice, earcons.

Inside voicelog sound is 16 kHz mono int16 (`values.Frames`). This room knows nothing of words.
"""

from voicelog.audio.devices import SoundDevice, sound_devices
from voicelog.audio.earcons import earcon
from voicelog.audio.endpoint import Clip, CutSettings, Cutter, cut
from voicelog.audio.files import duration_s, read_sound
from voicelog.audio.gain import amplify
from voicelog.audio.keep import keep_sound
from voicelog.audio.quiet import NoiseStage, StageInfo, available_stages, make_stage
from voicelog.audio.speaker import DeviceSpeaker, SilentSpeaker, Speaker, WavSpeaker, open_speaker
from voicelog.audio.voice import Spoken, Voice, find_voice

__all__ = [
    "Clip",
    "CutSettings",
    "Cutter",
    "DeviceSpeaker",
    "NoiseStage",
    "SilentSpeaker",
    "SoundDevice",
    "Speaker",
    "Spoken",
    "StageInfo",
    "Voice",
    "WavSpeaker",
    "amplify",
    "available_stages",
    "cut",
    "duration_s",
    "earcon",
    "find_voice",
    "keep_sound",
    "make_stage",
    "open_speaker",
    "read_sound",
    "sound_devices",
]
