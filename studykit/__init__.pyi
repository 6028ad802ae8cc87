from .core.errors import BadInput as BadInput
from .front import OpenStudy as OpenStudy
from .front import World as World
from .front import chances as chances
from .front import demo as demo
from .front import open as open
from .front import simulate as simulate
from .front import time_chances as time_chances
from .front import times as times
from .inference.judge import Judgement as Judgement
from .inference.judge import judge as judge
from .inference.judge import judge_many as judge_many

__version__: str

__all__ = [
    "BadInput",
    "Judgement",
    "OpenStudy",
    "World",
    "chances",
    "demo",
    "judge",
    "judge_many",
    "open",
    "simulate",
    "time_chances",
    "times",
]
