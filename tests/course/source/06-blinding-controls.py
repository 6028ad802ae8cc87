# %% [markdown]
"""
# Lesson 6: blinding and controls

**Aim.** To choose controls against faults that nobody announces, and to see what an expectation does to readings.

**The question.** A dairy stores cleaning concentrate in canisters. The analyst is honest, careful, and knows which bottle
came from the bottom. What could go wrong without anybody noticing?

*Everything here is invented.*
"""
# %% [markdown]
"""
## Before you begin

A **control** is a bottle whose right reading is known, or known to equal another's. **Blind** means that whoever measures
cannot tell which bottle it is.
"""
# %% tags=["parameters"]
seed: int = 4  # any whole number: which runs are drawn
# %% [markdown]
"""
## Faults and controls
"""
# %%
import studykit.notebook as kit
from studykit.course import controls as lesson
kit.table(lesson.names(), caption="Five faults, and five controls in another order.")
# %% [markdown]
"""
## Exercise 1: which control sees which fault?

Write the control that sees it behind each fault, in the form `{"a run reads high": "...", "the scatter is larger than
stated": "..."}` and so on, with the words of the table.
"""
# %% tags=["exercise"]
from studykit.course import controls as lesson
### BEGIN SOLUTION
catches = {
    "a run reads high": "check fluid",
    "something is carried over into the next bottle": "blank",
    "the scatter is larger than stated": "duplicate",
    "the analyst expects the lower bottles to be rich": "blind codes",
    "the method cannot see what settles": "layered control",
}
### END SOLUTION
# %% tags=["check"]
from studykit.course import controls as lesson
lesson.check("catches", catches)
# %% [markdown]
"""
## Exercise 2: twelve bottles of money

Three faults hide: a run that reads high by three standard deviations, a carry-over of four into the blank, a scatter of
twice what was stated. There is money for twelve control bottles. Choose so that each fault is caught with a chance of at least 0.8. Write
`{"check fluid": ..., "blank": ..., "duplicate": ...}` with a number for each.
"""
# %%
import studykit.notebook as kit
from studykit.course import controls as lesson
rows = lesson.table()
kit.table(rows, caption="Chance that the fault is caught, by the number of bottles of its control.", digits=3)
kit.figure(lesson.picture(rows), alt="Three climbing curves: blank fastest, duplicates slowest; a thin line marks the chance asked for.",
           caption="Chance that the hidden fault is caught against bottles of the control.")
# %% tags=["exercise"]
from studykit.course import controls as lesson
### BEGIN SOLUTION
choice = {"check fluid": 3, "blank": 1, "duplicate": 7}
### END SOLUTION
# %% tags=["check"]
from studykit.course import controls as lesson
lesson.check("choice", choice)
# %% [markdown]
"""
## Your controls at work

Four hundred runs with each hidden fault.
"""
# %%
import studykit.notebook as kit
from studykit.course import controls as lesson
kit.table(lesson.season(choice, seed), caption="Share of four hundred runs in which the fault was caught.", digits=3)
# %% [markdown]
"""
## Exercise 3: the honest analyst

She measures twice. Of a lower bottle she keeps the higher reading, of an upper one the lower: the other "must be wrong".
`seen` holds lower minus upper, in %, of four hundred runs in which nothing has separated. What is their mean, the
bias of her readings? (Two decimals or more.)
"""
# %% tags=["exercise"]
from studykit.course import controls as lesson
seen = lesson.read(seed, blind=False)
### BEGIN SOLUTION
pulled = seen.mean()
### END SOLUTION
# %% tags=["check"]
from studykit.course import controls as lesson
lesson.check("pulled", pulled, seed)
# %%
import studykit.notebook as kit
from studykit.course import controls as lesson
lesson.after(seed, pulled=pulled)
kit.figure(lesson.blind_picture(seed), alt="Two outlines: with blind codes around the truth, knowing the depths to the right of it.",
           caption="Lower minus upper, %, in four hundred runs without a true difference.")
# %% [markdown]
"""
## Summary

- Each control sees its own fault. None sees all, and silence is no proof.
- Blind codes cost nothing. Without them an honest expectation becomes a result.
- Decide the controls with the plan: a fault that shows afterwards can seldom be mended.

Next: [lesson 7](07-physics-first.ipynb).
"""
# %% [markdown] tags=["teacher"]
"""
**Time:** 40 minutes. **Say first:** let two pupils read the same thermometer; tell one of them that it is warm today.

**Watch for:** choices with ten check fluids and no duplicate. Cheapest that suffices: 3, 1 and 7.

**To discuss:** where are readings repeated "because they look wrong" in your shop? The bias is 2/√π = 1.128 standard
deviations, the factor d2 of control charts.
"""
