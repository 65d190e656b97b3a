"""How far words are trusted, before anyone asks what they mean."""

from __future__ import annotations

from dataclasses import dataclass

from voicelog.values import Verdict, VoicelogError

SILENT_ERROR = 12.0
"""What a call written wrongly and unnoticed costs, in questions: about what a breeder would answer to be spared one."""

SAY_AGAIN = 1.5
"""What it costs to say a call again, in questions."""


@dataclass(frozen=True, slots=True)
class Policy:
    """Certainties, 0 to 1, from which a call is accepted and from which it is at least asked about.

    From `alike_from` on, a call is accepted although another live wording sounds like it.
    """

    accept_from: float = 1 - 1 / (SILENT_ERROR - SAY_AGAIN)
    ask_from: float = 1 / SAY_AGAIN
    alike_from: float = 0.99

    @classmethod
    def by_cost(cls, silent_error: float = SILENT_ERROR, say_again: float = SAY_AGAIN) -> Policy:
        """The cheapest for a call that is right with probability p.

        To accept it costs (1 - p) silent errors; to ask, one question, and saying it again where it
        was wrong; to reject, saying it again.
        """
        ask_from, accept_from = 1 / say_again, 1 - 1 / (silent_error - say_again)
        if accept_from < ask_from:  # a question is never worth its while
            accept_from = ask_from = 1 - say_again / silent_error
        return cls(accept_from, ask_from)

    def __post_init__(self) -> None:
        if not 0 <= self.ask_from <= self.accept_from <= 1:
            raise VoicelogError(
                f"certainty thresholds ask {self.ask_from} and accept {self.accept_from} are out of order: "
                "give 0 <= ask <= accept <= 1"
            )


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict and why, in plain words."""

    verdict: Verdict
    reason: str


def judge(policy: Policy, certainty: float, doubts: tuple[str, ...] = ()) -> Judgement:
    """Accept what was heard surely; ask when it was heard fairly, or surely but with doubts; else reject."""
    if not certainty >= policy.ask_from:  # so that a certainty that is no number is rejected too
        return Judgement(Verdict.REJECT, f"certainty {certainty:.2f} is below {policy.ask_from:.2f}")
    if doubts:
        return Judgement(Verdict.ASK, "; ".join(doubts))
    if certainty < policy.accept_from:
        return Judgement(Verdict.ASK, f"certainty {certainty:.2f} is below {policy.accept_from:.2f}")
    return Judgement(Verdict.ACCEPT, "heard surely")
