"""`python -m voicelog` is the command `voicelog`."""

from voicelog.cli import main

main()
