"""Reproducible settling studies of stored fluids: has anything separated, so much that it matters?"""

__version__ = "0.1.0"
