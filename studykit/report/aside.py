"""What is plain text within a page, kept from the parser, for which its many tags take most of the time.

Coloured code goes aside while the page is taken apart and put together, and comes back as it is. Cells of tables are left
out where a page is searched for addresses. Both only in exactly the form in which pygments and the kit write them, which
holds text, and nothing that could lead away, load or run; anything else takes the long way.
"""

from __future__ import annotations

import hashlib
import re

from nbconvert.filters.highlight import Highlight2HTML

_TEXT = r"[^<>&\r\0]*+(?:&(?:amp|lt|gt|quot|#x27|#39);[^<>&\r\0]*+)*+"
_CODE = re.compile(rf'<div class=" ?highlight hl-python"><pre>(?:{_TEXT}<span(?: class="\w+")?>{_TEXT}</span>)*+{_TEXT}'
                   r"</pre></div>\n?")
_CELL = re.compile(rf'<(t[dh])(?: (?:class|scope|colspan|data-label)="[^"<>]*+")*+>{_TEXT}</\1>')
_PLAIN = re.compile(rf'<span(?: class="(?!k|ow|[scm])\w+")?>({_TEXT})</span>')
"""What report.css gives no colour: names, operators, blanks."""
_MARK = re.compile(r'<i data-aside="([0-9a-f]{64})"></i>')
_WRITTEN = (('class=" highlight', 'class="highlight'), ("&quot;", '"'), ("&#39;", "'"))
"""What BeautifulSoup writes otherwise than pygments."""


class Aside:
    """Coloured code of one page, each piece behind a mark that is the hash of its text."""

    def __init__(self) -> None:
        self._kept: dict[str, str] = {}

    def code(self, source: str) -> str:
        """The mark that stands for Python source in colours; the source in colours where it is not plain."""
        html = str(Highlight2HTML(pygments_lexer="python")(source))
        if not _CODE.fullmatch(html):
            return html
        key = hashlib.sha256(html.encode()).hexdigest()
        for read, written in _WRITTEN:
            html = html.replace(read, written)
        self._kept[key] = _PLAIN.sub(r"\1", html)
        return f'<i data-aside="{key}"></i>'

    def back(self, page: str) -> str:
        """The page with every piece in place of its mark; a mark that nobody made stays."""
        return _MARK.sub(lambda m: self._kept.get(m[1], m[0]), page)


def without_plain(html: str) -> str:
    """A page without its coloured code and the cells of its tables that hold text alone, in which no address can be."""
    return _CELL.sub("", _CODE.sub("", html))
