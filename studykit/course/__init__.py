"""The course of ten lessons: worlds and figures of each lesson, and checks that answer at once without telling the answer.

Each lesson is a module that its notebook imports; ``check(name, answer)`` gives a reply. Solutions are not here.
"""

import lazy_loader as _lazy

from studykit.notebook import guard

__getattr__, __dir__, __all__ = _lazy.attach_stub(__name__, __file__)

guard()  # a lesson's cell run too early says what to run first
