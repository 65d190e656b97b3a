"""The recognisers: sound and a network of words in, words with a certainty out.

PocketSphinx is always there, Vosk where its model is. This room knows nothing of birds.
"""

from voicelog.hearing.choose import Choice, choose, open_recogniser
from voicelog.hearing.protocol import Recogniser

__all__ = ["Choice", "Recogniser", "choose", "open_recogniser"]
