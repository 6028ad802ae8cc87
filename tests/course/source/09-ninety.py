# %% [markdown]
"""
# Lesson 9: what 90 % means

**Aim.** To see of what "90 %" is a property.

**The question.** A vineyard's report says: *lower minus upper 3.1 %, 90 % interval 0.6 to 5.6*. Is the truth in there with
a chance of 90 %?

*Everything here is invented.*
"""
# %% [markdown]
"""
## Before you begin

In each of two hundred worlds the true difference is 3 %. Six casks are opened in each, whose differences scatter by 4 %.
"""
# %% tags=["parameters"]
seed: int = 6  # any whole number: which worlds are drawn
# %% [markdown]
"""
## Two hundred intervals
"""
# %%
import studykit.notebook as kit
from studykit.course import ninety as lesson
worlds = lesson.draw(seed)
rows = lesson.intervals(worlds)
kit.table(rows.head(5), caption="The first worlds: mean, standard deviation and 90 % interval of six casks, %.", digits=3)
kit.figure(lesson.picture(rows), alt="Intervals of differing length around a line; a few, marked by squares, lie beside it.",
           caption="The first sixty intervals, %; squares mark those that miss the truth.")
# %% [markdown]
"""
## Exercise 1: count

In which share of the worlds does the interval from `rows["low"]` to `rows["high"]` hold the truth, 3 %? (Two decimals or more.)
"""
# %% tags=["exercise"]
from studykit.course import ninety as lesson
### BEGIN SOLUTION
share = ((rows["low"] <= 3) & (rows["high"] >= 3)).mean()
### END SOLUTION
# %% tags=["check"]
from studykit.course import ninety as lesson
lesson.check("share", share, seed)
# %% [markdown]
"""
## Exercise 2: the shortcut

Many take mean ± 1.645 × standard deviation / √6, with the number of the normal distribution. Which share of those
intervals holds the truth, in the same worlds?
"""
# %% tags=["exercise"]
from studykit.course import ninety as lesson
### BEGIN SOLUTION
half = 1.645 * worlds["sd"] / 6 ** 0.5
normal = ((worlds["mean"] - 3).abs() <= half).mean()
### END SOLUTION
# %% tags=["check"]
from studykit.course import ninety as lesson
lesson.check("normal", normal, seed)
# %% [markdown]
"""
## Exercise 3: a class of twenty

Twenty students each have an interval from a world of their own. With what chance do all twenty hold the truth?
"""
# %% tags=["exercise"]
from studykit.course import ninety as lesson
### BEGIN SOLUTION
every = 0.9 ** 20
### END SOLUTION
# %% tags=["check"]
from studykit.course import ninety as lesson
lesson.check("all", every)
# %% [markdown]
"""
## Summary

- 90 % is a property of the recipe, counted over many studies. One interval holds the truth or does not.
- Few containers need the t distribution: their own scatter is badly known.
- About one interval in ten misses, and nobody is at fault.

Next: [lesson 10](10-whole-study.ipynb).
"""
# %% [markdown] tags=["teacher"]
"""
**Time:** 35 minutes. **Say first:** throw ten rings at a peg that nobody can see.

**Watch for:** answers such as 180 and 90: a share between 0 and 1 is asked.

**To discuss:** the exact share of exercise 2 is 0.839 (t distribution, five degrees of freedom). Why does nobody notice
in daily work that an interval is too short?
"""
