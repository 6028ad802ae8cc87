"""How fast a difference grows with standing time, and when the margin is passed: on average, and by single containers.

Other folders import what ``__init__.pyi`` lists: single names, and modules that are open as a whole.
"""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach_stub(__name__, __file__)
