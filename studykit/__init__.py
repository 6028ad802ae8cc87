"""Reproducible settling studies of stored fluids: has anything separated, so much that it matters?

    import studykit as sk
    study = sk.open("my-study")              # a study folder whose results were taken in
    study.tidy("Si")                         # one analyte's rows as a data frame
    fit = study.model("Si", "depth + lot + (1 | container)")
    fit.verdict(margin="50 %")
    sk.chances(containers=12, depths=3, margin="5 %", repeatability="2 %")
    sk.judge(table, margin={"relative_percent": 20}, depths=["upper", "middle", "lower"])

Names load when they are first used; nothing is imported before.
"""

import lazy_loader as _lazy

__version__ = "0.1.0"
__getattr__, __dir__, __all__ = _lazy.attach_stub(__name__, __file__)
