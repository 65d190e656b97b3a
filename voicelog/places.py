"""Where things lie that voicelog ships: in the wheel, or at the top of a checkout."""

from __future__ import annotations

from pathlib import Path

from voicelog.values import VoicelogError

_PACKAGE = Path(__file__).resolve().parent


def shipped(*parts: str) -> Path:
    """The path of a shipped file or folder, such as `shipped("grammars")`.

    Raises VoicelogError where the installation lacks it.
    """
    for top in (_PACKAGE / "shipped", _PACKAGE.parent):
        path = top.joinpath(*parts)
        if path.exists():
            return path
    raise VoicelogError(f"voicelog is installed without {'/'.join(parts)}; install it again: pip install .")
