"""The benchmark of hearing: random calls, said by many voices, in many noises, through the whole path.

Everything is drawn from a seed and rendered on the spot; no recording is shipped or fetched.
"""

from voicelog.bench.cache import Cache, default_cache
from voicelog.bench.grid import Roster, Trial, grid
from voicelog.bench.voices import Voice, voice_named, voices_of

__all__ = ["Cache", "Roster", "Trial", "Voice", "default_cache", "grid", "voice_named", "voices_of"]
