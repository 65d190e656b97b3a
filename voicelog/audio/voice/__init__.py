"""Spoken replies: text to sound, offline.

espeak-ng everywhere; a natural voice where the user names a Piper voice file.
"""

from voicelog.audio.voice.espeak import EspeakVoice
from voicelog.audio.voice.find import find_voice
from voicelog.audio.voice.piper import PiperVoice
from voicelog.audio.voice.spoken import Spoken, Voice

__all__ = ["EspeakVoice", "PiperVoice", "Spoken", "Voice", "find_voice"]
