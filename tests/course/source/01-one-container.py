# %% [markdown]
"""
# Lesson 1: one container is not n = 3

**Aim.** To see what three bottles of one container can tell, and what they cannot.

**The question.** An ink maker keeps iron-gall ink in two cellars. She opens one barrel in each, fills three bottles
from it, measures the pigment, and compares three numbers with three numbers. How often will she find a difference
between the cellars when there is none?

*Everything here is invented.*
"""
# %% [markdown]
"""
## Before you begin

Another seed draws other worlds; the checks count in the worlds of your seed.
"""
# %% tags=["parameters"]
seed: int = 11  # any whole number: which worlds are drawn
# %% [markdown]
"""
## A thousand worlds without a difference

In each world the two cellars are alike. Barrels differ from one another by 3 % (standard deviation), bottles of one
barrel by 2 %. The table shows the first world.
"""
# %%
import studykit.notebook as kit
from studykit.course import onebarrel as lesson
worlds = lesson.draw(seed, barrels=1, bottles=3)  # (worlds, cellars, bottles), g/L
kit.table(lesson.first_world(worlds), caption="The first world: three bottles from one barrel in each cellar.")
# %% [markdown]
"""
## Exercise 1: count the false alarms

`p` holds the p-value of a t test in every world, three bottles against three. An alarm is a p-value below 0.05. Which
share of the thousand worlds gives a false alarm? Write a number between 0 and 1 with two decimals or more, or one line that
computes it.
"""
# %% tags=["exercise"]
from studykit.course import onebarrel as lesson
from scipy.stats import ttest_ind
p = ttest_ind(worlds[:, 0], worlds[:, 1], axis=1).pvalue
### BEGIN SOLUTION
alarms = (p < 0.05).mean()
### END SOLUTION
# %% tags=["check"]
from studykit.course import onebarrel as lesson
lesson.check("alarms", alarms, seed)
# %% [markdown]
"""
## Exercise 2: how many?

The statement is about a cellar. Of how many independent barrels does each side of the comparison speak?
"""
# %% tags=["exercise"]
from studykit.course import onebarrel as lesson
### BEGIN SOLUTION
units = 1
### END SOLUTION
# %% tags=["check"]
from studykit.course import onebarrel as lesson
lesson.check("units", units)
# %% [markdown]
"""
## Exercise 3: the same six bottles, spent better

Now three barrels are opened in each cellar, and one bottle is filled from each. Count the false alarms again.
"""
# %% tags=["exercise"]
from studykit.course import onebarrel as lesson
from scipy.stats import ttest_ind
honest_worlds = lesson.draw(seed + 1, barrels=3, bottles=1)
### BEGIN SOLUTION
honest = (ttest_ind(honest_worlds[:, 0], honest_worlds[:, 1], axis=1).pvalue < 0.05).mean()
### END SOLUTION
# %% tags=["check"]
from studykit.course import onebarrel as lesson
lesson.check("honest", honest, seed + 1)
# %% [markdown]
"""
## What happened

Both ways spend six bottles. With one barrel a cellar the difference of the means scatters half as much again; yet its test
expects less, because the three bottles of a barrel agree with one another and it takes that agreement for certainty.
"""
# %%
import studykit.notebook as kit
from studykit.course import onebarrel as lesson
kit.figure(lesson.picture(worlds, honest_worlds), alt="Two outlines around zero; that of one barrel a cellar is the wider.",
           caption="Difference of the two cellars' mean pigment, g/L, in a thousand worlds without a true difference.")
# %% [markdown]
"""
## Summary

- Bottles of one container tell of that container. What you want to speak of must be what you have several of.
- Counting bottles as if they were containers is called **pseudoreplication**: copies that count as repetitions and are none.
- The kit says of one container *holds for this container only*, and takes the scatter from the laboratory's stated
  repeatability.

Next: [lesson 2](02-same-enough.ipynb).
"""
# %% [markdown] tags=["teacher"]
"""
**Time:** 35 minutes. **Say first:** hold up three cups filled from one jug; ask how many jugs were tested.

**Watch for:** students who answer 0.05 in exercise 1 before they count; let them count. The exact value is 0.375: the
variance of a barrel's mean is (1 + 2 rho)/(1 - rho) = 7.75 times what its bottles show, with rho = 9/13.

**To discuss:** in your own work, what is the barrel and what is the bottle? (Batch and sample, day and reading, pupil and
answer.) The kit's demo *tote* shows what can still be said of one container.
"""
