"""What holds for every test."""

from __future__ import annotations

import os
import signal

import pytest
from hypothesis import settings

settings.register_profile("voicelog", deadline=None)  # the machines are noisy: no test fails by the clock
settings.load_profile("voicelog")

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # So it is in what a script runs in its background; what a test starts would not know Control-C either.
    signal.signal(signal.SIGINT, signal.default_int_handler)


_FIRST = ("test_live_headset.py", "test_live_loudspeaker.py")
"""They last as long as the recorded session does, and mostly wait for it: begun first, they are over with the rest."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: item.path.name not in _FIRST)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):  # type: ignore[no-untyped-def]
    """Under CI a test that would be left out fails: there, everything that it needs is installed."""
    report = yield
    if report.skipped and os.environ.get("CI") and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was left out under CI: {report.longrepr}"
    return report
