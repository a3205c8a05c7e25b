"""What a channel says when a message was not taken. Nothing of an address or a secret is ever in it."""

from __future__ import annotations


class NotTaken(Exception):
    """A sentence for whoever reads the list; `for_good` where trying again would change nothing."""

    def __init__(self, sentence: str, *, for_good: bool = False) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.for_good = for_good
