"""How one text differs from another, word by word, as runs that a page can show."""

import re
from collections.abc import Sequence
from difflib import SequenceMatcher
from typing import Final

from schemas.conclusions import WordsOp, WordsRun

MOST_PAIRS: Final = 4_000_000
"""Above so many pairs of words the search would take seconds: the rest is told as replaced."""

_WORD: Final = re.compile(r"\S+\s*|\s+")


def words_runs(before: str, after: str) -> tuple[WordsRun, ...]:
    """Tell what stayed, went and came, in reading order; a word carries the space after it."""
    old, new = _WORD.findall(before), _WORD.findall(after)
    head = _shared(old, new)
    tail = _shared(old[head:][::-1], new[head:][::-1])
    old_end, new_end = len(old) - tail, len(new) - tail
    runs = [
        (WordsOp.SAME, old[:head]),
        *_middle(old[head:old_end], new[head:new_end]),
        (WordsOp.SAME, old[old_end:]),
    ]
    return tuple(WordsRun(op=op, text="".join(words)) for op, words in _joined(runs))


_Runs = list[tuple[WordsOp, list[str]]]


def _middle(old: list[str], new: list[str]) -> _Runs:
    if len(old) * len(new) > MOST_PAIRS:
        return [(WordsOp.REMOVED, old), (WordsOp.ADDED, new)]
    runs: _Runs = []
    for tag, i, j, k, m in SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        if tag == "equal":
            runs.append((WordsOp.SAME, old[i:j]))
        else:
            runs += [(WordsOp.REMOVED, old[i:j]), (WordsOp.ADDED, new[k:m])]
    return runs


def _joined(runs: Sequence[tuple[WordsOp, list[str]]]) -> _Runs:
    """Join neighbours of one kind and leave out the empty ones."""
    joined: _Runs = []
    for op, words in runs:
        if not words:
            continue
        if joined and joined[-1][0] is op:
            joined[-1] = (op, joined[-1][1] + words)
        else:
            joined.append((op, words))
    return joined


def _shared(one: Sequence[str], other: Sequence[str]) -> int:
    """Count the words that both begin with."""
    return next(
        (at for at, (a, b) in enumerate(zip(one, other, strict=False)) if a != b),
        min(len(one), len(other)),
    )
