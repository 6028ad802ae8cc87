"""Several studies together: a register of all in a folder, what changed between two, what controls say of a laboratory.

Other folders import what ``__init__.pyi`` lists: single names, and modules that are open as a whole.
"""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach_stub(__name__, __file__)
