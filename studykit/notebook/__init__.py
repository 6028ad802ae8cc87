"""What the stage notebooks import: the open stage, and how tables, figures and sentences are shown.

Other folders import what ``__init__.pyi`` lists: single names, and modules that are open as a whole. In a notebook
the import itself sees to it that a cell run too early says what to run first.
"""

import lazy_loader as _lazy

from studykit.notebook.early import guard

__getattr__, __dir__, __all__ = _lazy.attach_stub(__name__, __file__)

guard()
