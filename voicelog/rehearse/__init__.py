"""The handler's own voice: prompts said and heard, what fails and why, and what to set so that less does.

`rehearsal.rehearse` does the whole; `profile` keeps what it found. It knows sound, words and recognisers, no birds.
"""

from voicelog.rehearse.profile import VoiceProfile, load_profile, save_profile
from voicelog.rehearse.prompts import prompts_for, read_prompts
from voicelog.rehearse.rehearsal import rehearse
from voicelog.rehearse.report import Findings, report

__all__ = [
    "Findings",
    "VoiceProfile",
    "load_profile",
    "prompts_for",
    "read_prompts",
    "rehearse",
    "report",
    "save_profile",
]
