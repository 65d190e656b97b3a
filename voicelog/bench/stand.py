"""Where a session stands, as plain values that two processes can compare."""

from __future__ import annotations

from typing import Any

from voicelog.session import State, left
from voicelog.session.state import done


def stand(state: State) -> dict[str, Any]:
    """What the facts say of it. That a band was named since which was not written (`other_bird`) is not among them:
    who goes on is told the bird in hand.
    """
    return {
        "pen": state.purpose.pen,
        "mode": state.mode,
        "in hand": state.in_hand,
        "done": sorted(done(state.calls)),
        "left": list(left(state)),
    }
