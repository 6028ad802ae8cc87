"""A class with sealed worlds: each student plans, locks and buys in a world of their own; the teacher alone can open it.

The truth lies encrypted in one file of the teacher's; students get what they paid for and nothing that leads further.
"""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach_stub(__name__, __file__)
