"""No sentence of README and the pages is another than the one that somebody read against the code."""

from __future__ import annotations

import random
import re

import pytest

from tests.docs.planted import PLANTED
from tests.docs.read import fingerprint, pages, recorded, sentences, unread


def test_every_sentence_is_one_that_was_read() -> None:
    """A page changed? Read it against the code, then: python -m tests.docs.read --record."""
    assert "\n".join(unread(pages(), recorded())) == ""


def test_thirty_planted_falsehoods_are_each_named_by_their_sentence() -> None:
    """28 are asked for; of these 6 were caught by the ledger alone, since the others hold no number and no absolute word.

    One whose sentence was rewritten since cannot be planted any more; most can.
    """
    now, then = pages(), recorded()
    turned = [(page, text) for page, said, lie in PLANTED if (text := _turned(now[page], said, lie)) != now[page]]
    caught = [page for page, text in turned if any("not read yet" in u for u in unread({page: text}, {page: then[page]}))]
    assert len(PLANTED) == 30
    assert len(turned) >= 24
    assert len(caught) >= len(turned) * 28 / 30


def _turned(text: str, said: str, lie: str) -> str:
    """The page with one piece put in the place of another, whatever line breaks and blanks the page has there."""
    return re.sub(r"\s+".join(re.escape(word) for word in said.split()), lambda _: lie, text, count=1)


def test_a_sentence_taken_out_put_in_or_moved_is_named_and_line_breaks_are_not() -> None:
    page = "docs/x.md"
    text = "# X\n\nIt holds. It is shut, and\nstays so.\n\n```sh\nstudykit plan x   # prints\n```\n"
    assert sentences(text) == ["X", "It holds.", "It is shut, and stays so.", "studykit plan x # prints"]
    then = {page: [fingerprint(s) for s in sentences(text)]}
    assert unread({page: text.replace("and\nstays", "and stays")}, then) == []
    assert unread({page: text.replace("It holds. ", "")}, then) == [f"{page}: gone: {then[page][1]}"]
    assert unread({page: text.replace("# prints", "# sends")}, then)[0] == f"{page}: not read yet: studykit plan x # sends"
    assert unread({page: text.replace("It holds.", "It holds. It burns.")}, then) == [f"{page}: not read yet: It burns."]
    assert unread({}, then)
    assert unread({page: text, "docs/y.md": "New."}, then) == ["docs/y.md: not read yet: New."]


@pytest.mark.slow
def test_any_word_of_any_page_may_be_turned_and_is_seen() -> None:
    """300 words at random, each exchanged for another."""
    rng, then = random.Random(13), recorded()
    for _ in range(300):
        page = rng.choice(sorted(then))
        said = sentences(pages()[page])
        k = rng.randrange(len(said))
        words = said[k].split()
        words[rng.randrange(len(words))] = "otherwise"
        assert fingerprint(" ".join(words)) != then[page][k]
