# %% [markdown]
"""
# Lesson 3: the margin before the data

**Aim.** To lock a plan, to change it afterwards, and to see that it shows.

**The question.** A harbour master stores a tote of hydraulic fluid. The result says *inconclusive*. "Five per cent was
strict", says somebody, "let us take seven and a half." What is wrong with that?

*Everything here is invented.*
"""
# %% [markdown]
"""
## Before you begin

The lesson works in a folder of its own. To start over, run everything from the top.
"""
# %% tags=["parameters"]
seed: int = 5  # any whole number: which worlds are drawn
# %% [markdown]
"""
## A study without results

The plan stands; the laboratory has not reported yet.
"""
# %%
import studykit.notebook as kit
from studykit.course import marginfirst as lesson
root = lesson.new_study()
kit.table(lesson.margins(root), caption="Margins of the study, and why they are what they are.")
# %% [markdown]
"""
## Exercise 1: lock

Lock the plan with `lesson.lock(root)`. (In a terminal: `studykit lock FOLDER`.)
"""
# %% tags=["exercise"]
from studykit.course import marginfirst as lesson
### BEGIN SOLUTION
said = lesson.lock(root)
### END SOLUTION
# %% tags=["check"]
from studykit.course import marginfirst as lesson
lesson.check("locked", root)
# %% [markdown]
"""
## Exercise 2: peek, and widen quietly

The results arrive, and the margin of phosphorus is widened in `study.toml`, as anybody could with an editor. How many
changes does the lock show?
"""
# %%
import studykit.notebook as kit
from studykit.course import marginfirst as lesson
files = lesson.results_arrive(root)
lesson.widen(root, "P", 7.5)
kit.table(lesson.changes(root), caption="What was changed since the lock.")
# %% tags=["exercise"]
from studykit.course import marginfirst as lesson
### BEGIN SOLUTION
seen = 1
### END SOLUTION
# %% tags=["check"]
from studykit.course import marginfirst as lesson
lesson.check("seen", seen)
# %% [markdown]
"""
## Exercise 3: amend in the open

Give the change a reason: `lesson.lock(root, "why")`. Write one that would convince somebody who does not know the result. A
program cannot read it: it refuses what is plainly none, before that is recorded, and a person has to judge the rest.
"""
# %% tags=["exercise"]
from studykit.course import marginfirst as lesson
### BEGIN SOLUTION
told = lesson.lock(root, "the pump maker's new sheet allows 7.5 % of the additive, where the old one allowed 5 %")
### END SOLUTION
# %% tags=["check"]
from studykit.course import marginfirst as lesson
lesson.check("amended", root)
# %% [markdown]
"""
### Mark it

Read your reason as somebody who was not there, and mark it: `"yes"` or `"no"` to each question.
"""
# %%
import studykit.notebook as kit
from studykit.course import marginfirst as lesson
kit.table(lesson.questions(), caption="What a reader asks of a reason.")
# %% tags=["exercise"]
from studykit.course import marginfirst as lesson
### BEGIN SOLUTION
marks = ["yes", "yes", "yes", "yes"]
### END SOLUTION
# %% tags=["check"]
from studykit.course import marginfirst as lesson
lesson.check("marked", marks)
# %% [markdown]
"""
## Exercise 4: what it costs

Two thousand worlds, eight kegs each, a true difference of exactly 5 %, the declared margin. The word *homogeneous* is
wrong there, and the rule promises it in at most 5 worlds of 100. `ends` holds the upper end of each world's interval.
In which share of the worlds does the interval lie below 7.5 %? (Two decimals or more.)
"""
# %% tags=["exercise"]
from studykit.course import marginfirst as lesson
ends = lesson.upper_ends(lesson.draw(seed))  # per cent, one a world
### BEGIN SOLUTION
share = (ends < 7.5).mean()
### END SOLUTION
# %% tags=["check"]
from studykit.course import marginfirst as lesson
lesson.check("share", share, seed)
# %% [markdown]
"""
## What a margin chosen afterwards costs
"""
# %%
import studykit.notebook as kit
from studykit.course import marginfirst as lesson
lesson.after(seed, share=share)
rows = lesson.table()
kit.table(rows, caption="Share of wrong “homogeneous” by the margin that is judged against afterwards.", digits=3)
kit.figure(lesson.picture(rows), alt="A curve that starts at the promised level and climbs steeply as the margin is let out.",
           caption="Share of worlds with a wrong “homogeneous” against the margin afterwards, %; thin line: what was promised.")
# %% [markdown]
"""
## Summary

- Nothing in the data forbids a wider margin. Only the date does, and a reason that holds without the result.
- A lock does not prevent a change. It shows it, with old and new value and day.
- A lock proves its day only if its seal was out of your hands: send it to somebody.

Next: [lesson 4](04-containers.ipynb).
"""
# %% [markdown] tags=["teacher"]
"""
**Time:** 45 minutes. **Say first:** who shoots at a barn door and then paints the target around the hole never misses.

**Watch for:** reasons such as "otherwise inconclusive". The check refuses empty words, the lesson's own, and some English
words that name what came out; it cannot tell a good reason from a bad one, and says so. Students mark their own by four
questions; read the reasons aloud in class, and let those judge who do not know the result.

**To discuss:** is there an honest late change? (Yes: a law or a data sheet that changed. It stays late, and is told.)
"""
