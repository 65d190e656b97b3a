"""`python -m voicelog` is the command `voicelog`."""

from voicelog.cli import main

if __name__ == "__main__":  # a process that cleans sound ahead imports this too
    main()
