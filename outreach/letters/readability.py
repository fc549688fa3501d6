"""How hard a text is to read: two published figures over its sentences. Pure.

Sources: the grade level of Kincaid, Fishburne, Rogers and Chissom (1975), 0.39 × words a sentence + 11.8 × syllables a
word − 15.59, for English, where the reading age is the grade plus five; Björnsson's readability index (1968), words a
sentence + percentage of words longer than six letters, for any language. Both formulas from memory.
"""

import re
from dataclasses import dataclass

_WORD = re.compile(r"[^\W\d_]+(?:['’][^\W\d_]+)?")
_SENTENCE = re.compile(r"[.!?؟]+(?:\s|$)")
_VOWELS = re.compile(r"[aeiouy]+")
LONG_LETTERS = 6


@dataclass(frozen=True)
class Reading:
    """The figures of one text."""

    words: int
    words_a_sentence: float
    long_words_percent: float
    age: float | None
    """Reading age in years; None where no formula is known for the language."""

    @property
    def index(self) -> float:
        """Björnsson's index; below 30 is very easy, below 40 easy."""
        return round(self.words_a_sentence + self.long_words_percent, 1)


def syllables(word: str) -> int:
    """About how many syllables an English word has: groups of vowels, a silent e not counted.

    >>> [syllables(word) for word in ("blood", "little", "examination", "more")]
    [1, 2, 5, 1]
    """
    lower = word.lower()
    count = len(_VOWELS.findall(lower))
    if lower.endswith("e") and not lower.endswith(("le", "ee")) and count > 1:
        count -= 1
    if lower.endswith("ed") and not lower.endswith(("ted", "ded")) and count > 1:
        count -= 1
    return max(count, 1)


def reading_of(text: str, language: str) -> Reading:
    """The figures of a text of full sentences."""
    words = _WORD.findall(text)
    sentences = max(len(_SENTENCE.findall(text)), 1)
    if not words:
        return Reading(0, 0.0, 0.0, None)
    per_sentence = len(words) / sentences
    long = 100 * sum(len(word) > LONG_LETTERS for word in words) / len(words)
    age = None
    if language == "en":
        grade = 0.39 * per_sentence + 11.8 * sum(map(syllables, words)) / len(words) - 15.59
        age = round(grade + 5, 1)
    return Reading(len(words), round(per_sentence, 1), round(long, 1), age)
