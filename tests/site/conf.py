"""Sphinx's settings for the site; the pages are put together by ``tests.site.pages``.

Sphinx with MyST reads the Markdown pages as they are, brings an offline search and warns of every broken link;
furo is a theme of plain HTML with light and dark, without requests to other hosts.
"""

project = "studykit"
author = "the studykit authors"
project_copyright = "the studykit authors, BSD-3-Clause"
extensions = ["myst_parser"]
myst_heading_anchors = 4
myst_enable_extensions = ["attrs_block"]
html_theme = "furo"
html_title = "studykit"
html_css_files = ["site.css"]
html_show_sphinx = False
html_copy_source = False
exclude_patterns = ["_extra"]
pygments_style = "friendly"
pygments_dark_style = "native"
nitpicky = True
suppress_warnings = ["misc.highlighting_failure"]  # a block of csv has no lexer, and needs none
