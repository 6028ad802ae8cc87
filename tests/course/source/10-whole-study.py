# %% [markdown]
"""
# Lesson 10: a whole study on a budget

**Aim.** To carry one study from the money to the word, alone, and then to be told the truth.

**The question.** A baker of sea biscuits keeps malt syrup in forty churns. It stood for ten months. May it be used as it
stands, or has its dry matter gone down?

*Everything here is invented, and everybody gets another syrup.*
"""
# %% [markdown]
"""
## Before you begin

Write your own name: it makes your world. What is known beforehand: the margin is ±5 %, a determination repeats itself within
a standard deviation of 2 %, and each zone of a churn departs from the common profile by about 2.5 %.
"""
# %% tags=["parameters"]
me: str = "robin"  # your name; "robin" is the example of the teacher's copy
# %% [markdown]
"""
## Exercise 1: spend the money

You have 500. To open a churn costs 40. Its upper and its lower zone are both measured, at 5 a determination. Choose the
number of churns and of determinations of each zone so that the chance of *homogeneous*, had nothing separated, is within
0.05 of the best. Count one churn as lost: with one of them something always goes wrong, and it will be left out.
"""
# %%
import studykit.notebook as kit
from studykit.course import capstone as lesson
kit.say(f"Six churns with three determinations each cost {lesson.cost(6, 3):g}; their chance is {lesson.chance(6, 3):.2f}.")
# %% tags=["exercise"]
from studykit.course import capstone as lesson
### BEGIN SOLUTION
design = (10, 1)
### END SOLUTION
# %% tags=["check"]
from studykit.course import capstone as lesson
lesson.check("design", design)
# %% [markdown]
"""
## What comes back

From here on the money is spent. Look before you calculate.
"""
# %%
import studykit.notebook as kit
from studykit.course import capstone as lesson
data = lesson.buy(me, design)
kit.table(data.head(8), caption="The first readings of your table: dry matter in g/kg.")
kit.figure(lesson.picture(data), alt="Readings by churn, circles for the upper and squares for the lower zone; one lies far below.",
           caption="Every reading by churn; circles upper, squares lower zone.")
# %% [markdown]
"""
## Exercise 2: the slip of the pen

The first digit of one reading was misread from the laboratory's handwriting. Name the churn and the zone of its bottle.
"""
# %% tags=["exercise"]
from studykit.course import capstone as lesson
### BEGIN SOLUTION
worst = data.loc[data["dry matter, g/kg"].idxmin()]
fault = (worst["churn"], worst["zone"])
### END SOLUTION
# %% tags=["check"]
from studykit.course import capstone as lesson
lesson.check("fault", fault)
# %% [markdown]
"""
## Exercise 3: the interval and the word

Leave that churn out. From the differences of the others work out the 90 % interval of their mean (t distribution), and the
word against ±5 %. Write `(low, high, "word")`, both ends to one decimal or more.
"""
# %%
import studykit.notebook as kit
from studykit.course import capstone as lesson
rows = lesson.differences(without=fault, data=lesson.bought())
kit.table(rows, caption="Lower zone minus upper, in per cent of the upper, one row a churn.", digits=3)
# %% tags=["exercise"]
from studykit.course import capstone as lesson
### BEGIN SOLUTION
from scipy import stats
d = rows["difference, %"]
half = stats.t.ppf(0.95, len(d) - 1) * d.std() / len(d) ** 0.5
found = (d.mean() - half, d.mean() + half, lesson.word_of(d.mean() - half, d.mean() + half))
### END SOLUTION
# %% tags=["check"]
from studykit.course import capstone as lesson
lesson.check("found", found)
# %% [markdown]
"""
## The truth

When all three checks have passed, run this cell. Intervals of the same design in other worlds stand beside yours.
"""
# %%
import studykit.notebook as kit
from studykit.course import capstone as lesson
kit.table(lesson.reveal(me, fault, found), caption="What was true in your world, and how your study did.")
kit.figure(lesson.class_picture(me), alt="Twelve intervals around a line; nearly all of them cross it.",
           caption="Your interval and those of eleven invented classmates, each minus its own truth, %; the line is no error.")
# %% [markdown]
"""
## Summary

- The money decides what a study can say, and it does so before the first churn is opened.
- Look, ask, leave out with a reason; then calculate. What was left out stays in the report.
- An honest *inconclusive* is no failure. A wrong *homogeneous* is.

Next: a world of your own, sealed by your teacher: plan, lock, buy, find the faults, and be told the truth.
"""
# %% [markdown] tags=["teacher"]
"""
**Time:** 60 minutes. **Say first:** nobody gets a second purse.

**Watch for:** designs with many determinations of few churns; the sign of the difference; the slip left in, which widens the
interval until nothing is shown.

**To discuss:** collect the class's words and truths on the board. How many were open? What would 1,000 have bought? The names
tell the data to whoever reads the library, so it gives no marks; the class with sealed worlds does.
"""
