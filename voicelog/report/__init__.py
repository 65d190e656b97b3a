"""What a person reads afterwards: the summary of a session.

Made from the ledger alone; it knows nothing of sound.
"""

from voicelog.report.summary import Summary, summarise, summary_lines

__all__ = ["Summary", "summarise", "summary_lines"]
