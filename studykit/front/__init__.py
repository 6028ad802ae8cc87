"""The front door's rooms: an open study in hand, chances of a design, a simulated world, quantities as people write them.

Users reach all of it as ``import studykit as sk``; nothing else in the kit imports from here.
"""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach_stub(__name__, __file__)
