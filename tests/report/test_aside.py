"""Code set aside comes back as the long way would write it; what is not plain goes the long way, and is still searched."""

import re

import pandas as pd
import pytest
from bs4 import BeautifulSoup
from hypothesis import given, settings
from hypothesis import strategies as st
from nbconvert.filters.highlight import Highlight2HTML

from studykit.notebook.display import table_html
from studykit.report.aside import Aside, without_plain

UNCOLOURED = re.compile(r'<span(?: class="(?!(?:k|kn|kc|ow)"|[scm])\w+")?>([^<]*)</span>')
"""Tags for which report.css has no rule: it names k, kn, kc, ow and what begins with s, c or m."""


def long_way(html):
    """As the page is otherwise written: read and written again by BeautifulSoup, an independent parser."""
    return str(BeautifulSoup(html, "html.parser"))


@settings(deadline=None)
@given(st.text(st.sampled_from("ab <>&\"'#;é\n=()[]1.f{}%!?"), min_size=1, max_size=40))
def test_code_comes_back_as_the_long_way_writes_it(source):
    html = long_way(Highlight2HTML(pygments_lexer="python")(source))
    aside = Aside()
    mark = aside.code(source)
    assert mark.startswith("<i data-aside=")
    back = aside.back(f"<p>{long_way(mark)}</p>")
    assert UNCOLOURED.sub(r"\1", back) == UNCOLOURED.sub(r"\1", f"<p>{html}</p>")
    assert BeautifulSoup(back, "html.parser").get_text() == BeautifulSoup(f"<p>{html}</p>", "html.parser").get_text()
    assert without_plain(html) == ""


def test_code_that_is_not_plain_goes_the_long_way():
    """A carriage return is one thing to a parser and another to a browser."""
    assert Aside().code("'''\0'''").startswith("<div")


def test_cells_of_a_table_are_not_searched_but_whatever_is_in_them_is():
    plain = long_way(table_html(pd.DataFrame({"a": ["x < y"], "b": [1.0]}), "cap"))
    assert "x" not in without_plain(plain)
    for inside in ('<img src="https://example.org/x.png"/>', "<b>x</b>", "<svg><image href='x'></image></svg>"):
        assert inside in without_plain(plain.replace("x &lt; y", inside))
    assert 'style="a"' in without_plain(plain.replace("<td", '<td style="a"'))


@pytest.mark.parametrize("html", ["<img src='x'>",
                                  '<div class="highlight hl-python"><pre><span onclick="f()">x</span></pre></div>'])
def test_anything_else_stays(html):
    assert without_plain(html) == html


def test_a_mark_that_nobody_made_stays():
    forged = f'<i data-aside="{"0" * 64}"></i>'
    assert Aside().back(forged) == forged
