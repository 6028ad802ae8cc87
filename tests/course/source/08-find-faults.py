# %% [markdown]
"""
# Lesson 8: find the faults

**Aim.** To look at a laboratory's table with open eyes, and to judge a search by what it finds and what it invents.

**The question.** A tide mill sent 24 bottles of gear fluid from eight kegs. The table came back. What in it is not true?

*Everything here is invented, and everybody gets another table.*
"""
# %% [markdown]
"""
## Before you begin

Write your own name: it makes your data, your kegs and your faults. Whoever sits beside you has others.
"""
# %% tags=["parameters"]
me: str = "robin"  # your name; "robin" is the example of the teacher's copy
# %% [markdown]
"""
## Your table

Three things at least went wrong, of these kinds: swapped bottles (two bottles of a keg carry each other's code), slipped
digit (a decimal point), wrong product (a keg holds another fluid), bad portion (all elements of a bottle low by one
factor), run off (a whole run reads wrong in one element), lost bottle.
"""
# %%
import studykit.notebook as kit
from studykit.course import findfaults as lesson
data = lesson.own_data(me)
kit.table(data.sort_values(["keg", "depth"]), caption="Your readings: viscosity in mm²/s, all others in mg/kg.")
kit.table(lesson.certified(me), caption="What the check fluid should read.")
# %% [markdown]
"""
## Look at one analyte at a time

Change `"P"` to `"KV40"`, `"Ca"`, `"Si"` or `"Water"`.
"""
# %%
import studykit.notebook as kit
from studykit.course import findfaults as lesson
kit.table(data.groupby("run")[["KV40", "P", "Ca", "Si", "Water"]].median().reset_index(), caption="Medians of the runs.")
kit.figure(lesson.picture(data, "P"), alt="Readings by keg, one mark for each depth; most lie together, some do not.",
           caption="Readings by keg (without a name: check fluid); circles upper, squares middle, diamonds lower.")
# %% [markdown]
"""
## Exercise 1: name the faults

Write pairs of a place (a bottle as in the table, a keg, or a run) and a kind. Bottles that were sent and have no row:
`lesson.missing(data)`. The check tells **precision** (which share of what you named is true) and **recall** (which
share of what happened you named). Both must be at least 0.6. It takes lists of three places or more. For ten
different lists it tells both numbers, then only whether both are reached.
"""
# %% tags=["exercise"]
from studykit.course import findfaults as lesson
### BEGIN SOLUTION
found = [("K08-middle", "slipped digit"), ("K01-lower", "lost bottle"), ("R1", "run off")]
### END SOLUTION
# %% tags=["check"]
from studykit.course import findfaults as lesson
lesson.check("found", found)
# %% [markdown]
"""
## Exercise 2: judge a search

Somebody names five faults. Three of them are true. Four had happened. What are precision and recall?
"""
# %% tags=["exercise"]
from studykit.course import findfaults as lesson
### BEGIN SOLUTION
precision = 3 / 5
recall = 3 / 4
### END SOLUTION
# %% tags=["check"]
from studykit.course import findfaults as lesson
lesson.check("precision", precision)
# %% tags=["check"]
from studykit.course import findfaults as lesson
lesson.check("recall", recall)
# %% [markdown]
"""
## Summary

- A flag is a question. It becomes a fault when a cause is found: a note, a label, a certificate.
- Whoever names everything finds everything, and nobody believes the list.
- What is not found is not absent. In the kit's chapter *Quality* flags change no number by themselves.

Next: [lesson 9](09-ninety.ipynb).
"""
# %% [markdown] tags=["teacher"]
"""
**Time:** 50 minutes. **Say first:** pass round a bill with one wrong line.

**Watch for:** lists that name every keg; low precision is told. A student who reads the library's code can work out
the data of a name: for marks, use the class with sealed worlds, where that does not help.

**To discuss:** the planted bad portion of "robin" (K04-lower, all elements 15 % low) hides among profiles that fall and
climb. What would have shown it? (A second determination.)
"""
