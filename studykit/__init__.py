"""Reproducible settling studies of stored fluids: has anything separated, so much that it matters?

    import studykit as sk
    study = sk.open("my-study")              # a study folder whose results were taken in
    study.tidy("Si")                         # one analyte's rows as a data frame
    fit = study.model("Si", "depth + lot + (1 | container)")
    fit.verdict(margin="50 %")
    sk.chances(containers=12, depths=3, margin="5 %", repeatability="2 %")
    sk.judge(table, margin={"relative_percent": 20}, depths=["upper", "middle", "lower"])
    sk.times(aged, margin={"relative_percent": 20}, depths=["upper", "middle", "lower"])

Names load when they are first used; nothing is imported before.
"""

__version__ = "0.1.0"
__all__ = ["BadInput", "Judgement", "OpenStudy", "World", "chances", "demo", "judge", "judge_many", "open", "simulate",
           "time_chances", "times"]


def __getattr__(name: str) -> object:
    """A name of the front door, loaded now; ``python3 -m studykit`` on a bare Python comes here without any package."""
    if name not in __all__:
        raise AttributeError(f"module 'studykit' has no attribute {name!r}")
    import lazy_loader

    load, _, _ = lazy_loader.attach_stub(__name__, __file__)
    return load(name)


def __dir__() -> list[str]:
    """The names of the front door."""
    return [*__all__, "__version__"]
