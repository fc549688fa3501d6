"""The texts as they are written: every kind, every variant, the same fields, the cautions, easy to read."""

import pytest

from outreach.catalogue import KINDS
from outreach.kinds import MESSAGE
from outreach.letters.readability import reading_of, syllables
from outreach.letters.texts import (
    MISSING,
    SHARED,
    passages_of,
    text_problems,
    texts_delivered,
    variants_wanted,
)
from outreach.letters.words import WordsError, plain, sentences_of, words_read
from tests.letters.samples import BY_KIND, COMMON, texts_delivered_of

IN_EVERY_VARIANT = {1, 2, 3, 5, 7, 8, 9, 10, 13, 17, 20, 24}


def test_the_catalogue_is_whole() -> None:
    # Source: the programme's own catalogue of letters, section 6 of the job. Kind 19 is a sentence of kind 17.
    assert {kind.number for kind in KINDS.values()} | {19} == set(range(1, 31))
    step = texts_delivered_of("next_step").variants["en", "standard"]
    assert any(block.condition == ("step", True, "screening") for block in step.blocks)
    for kind in KINDS.values():
        assert kind.purpose
        assert kind.trigger
        assert kind.stops


def test_the_kinds_of_the_issue_have_every_variant() -> None:
    whole = {kind.number for kind in KINDS.values() if kind.every_variant}
    assert whole == IN_EVERY_VARIANT
    for kind in KINDS.values():
        languages = {language for language, _form in variants_wanted(kind.code)}
        assert languages == ({"en", "ar"} if kind.every_variant or kind.channel == MESSAGE else {"en"})
        if kind.every_variant and kind.recipient == "person":
            assert len(variants_wanted(kind.code)) == 4


@pytest.mark.parametrize("text", texts_delivered(), ids=lambda text: text.version_id)
def test_every_text_may_be_used(text) -> None:  # type: ignore[no-untyped-def]
    newest = max(one.number for one in texts_delivered() if one.kind == text.kind)
    problems = text_problems(text.kind, text.source)
    assert [one for one in problems if text.number == newest or "variant is missing" not in one] == []
    for (language, _form), variant in text.variants.items():
        said = plain(variant, COMMON | BY_KIND[text.kind] | {"name": "Marra"}, passages_of(SHARED)[language])
        assert MISSING not in said
        assert "positive" not in said.lower()
        assert "negative" not in said.lower()


def test_every_letter_to_a_person_is_easy_to_read() -> None:
    # Source: the catalogue asks for a reading age of 9 to 11; the grade level is Kincaid and others (1975), from memory.
    ages = {}
    for text in texts_delivered():
        if KINDS[text.kind].recipient == "person":
            for (language, form), variant in text.variants.items():
                reading = reading_of(sentences_of(variant, passages_of(SHARED)[language]), language)
                assert reading.index < 30, (text.kind, language, form)
                if reading.age is not None:
                    ages[text.kind, form] = reading.age
    assert max(ages.values()) <= 11, ages
    assert all(ages[kind, "easy"] <= ages[kind, "standard"] for kind, form in ages if form == "easy")


def test_the_figures_of_reading() -> None:
    # The formula by hand: 12 words, 2 sentences, 15 syllables: 0.39 × 6 + 11.8 × 15/12 − 15.59 = 1.5, and 5 years.
    found = reading_of("The cat sat on the mat. A little dog ran to it.", "en")
    assert (found.words, found.words_a_sentence, found.long_words_percent) == (12, 6.0, 0.0)
    assert (
        sum(
            syllables(word)
            for word in ["The", "cat", "sat", "on", "the", "mat", "A", "little", "dog", "ran", "to", "it"]
        )
        == 13
    )
    assert found.age == round(0.39 * 6 + 11.8 * 13 / 12 - 15.59 + 5, 1)
    assert reading_of("نص قصير. نص آخر.", "ar").age is None


GOOD = texts_delivered_of("reminder").source


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("| Kit sent on | {sent_on}", "We sent it on {sent_on}."), "stands in a row"),
        (("{sent_on}", "{nobody}"), "no such field"),
        (("[crossed_in_post] ", ""), "the caution is missing: crossed_in_post"),
        (("@symptoms", "@nothing"), "no such passage"),
        (("=== ar easy", "=== fr"), "this variant is missing"),
        (("# Have you still got your bowel test kit?", "Have you"), "the heading is missing"),
        (("| أُرسلت العدّة في | {sent_on}", "| أُرسلت العدّة في | –"), "other variants also name sent_on"),
        (("@contact", "{contact"), "a field is written as one name in braces"),
        (("=== en\n", "hello\n=== en\n"), "begin with a line such as"),
        (("=== en easy", "=== en"), "stand twice"),
    ],
)
def test_what_is_wrong_with_a_text_is_said(change: tuple[str, str], words: str) -> None:
    found = text_problems("reminder", GOOD.replace(change[0], change[1], 1))
    assert any(words in one for one in found), found


def test_an_empty_block_is_refused() -> None:
    with pytest.raises(WordsError, match="no words after the mark"):
        words_read("=== en\n# \n")
