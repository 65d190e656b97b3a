"""Noise suppression on a stream of sound, switchable by name, in step with its input.

Each engine is a `Denoiser` of fixed-size frames; `FramedStage` makes a stream of it.
"""

from voicelog.audio.quiet.choose import StageInfo, available_stages, make_stage
from voicelog.audio.quiet.stage import NoiseStage

__all__ = ["NoiseStage", "StageInfo", "available_stages", "make_stage"]
