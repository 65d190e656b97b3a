"""The commands, one file each: thin, they wire the rooms together.

`voicelog/cli.py` names them and imports only the one that is asked for.
"""
