from .chances import chances as chances
from .chances import time_chances as time_chances
from .study import OpenStudy as OpenStudy
from .study import demo as demo
from .study import open as open
from .study import study_folder as study_folder
from .study import take_in as take_in
from .times import times as times
from .world import World as World
from .world import simulate as simulate

__all__ = [
    "OpenStudy",
    "World",
    "chances",
    "demo",
    "open",
    "simulate",
    "study_folder",
    "take_in",
    "time_chances",
    "times",
]
