# %% [markdown]
"""
# Lesson 4: why containers beat determinations

**Aim.** To spend money where the scatter is.

**The question.** A dye works stores indigo paste in drums. Opening one more drum costs 60, one more determination of a
bottle costs 6. "Determinations are cheap", says the buyer, "measure each bottle ten times!" Is he right?

*Everything here is invented.*
"""
# %% [markdown]
"""
## Before you begin

Two zones of each drum are compared, one bottle of each. The laboratory repeats itself within 3 % (standard deviation),
the margin is 5 %. What nobody knows beforehand is how much the **profiles** of drums differ: whether each drum has
settled alike.
"""
# %% tags=["parameters"]
profiles: float = 2.0  # per cent: scatter between profiles of drums, for the first table
# %% [markdown]
"""
## Twice the determinations, or twice the drums?
"""
# %%
import studykit.notebook as kit
from studykit.course import wheremoney as lesson
kit.table(lesson.halves(profiles), caption="Standard error of the mean difference between the zones, %.", digits=3)
kit.figure(lesson.picture(), alt="Three curves that fall and flatten; the larger the scatter of profiles, the higher and flatter.",
           caption="Standard error of the difference for eight drums, %, against determinations of each bottle.")
# %% [markdown]
"""
## Exercise 1: what no determination takes away

Profiles scatter by 4 %. Suppose that the laboratory made no error at all. What standard error, in %, would eight drums
still leave? The scatter of one drum's difference is √2 times that of a zone.
"""
# %% tags=["exercise"]
from studykit.course import wheremoney as lesson
### BEGIN SOLUTION
rest = 2 ** 0.5 * 4 / 8 ** 0.5
### END SOLUTION
# %% tags=["check"]
from studykit.course import wheremoney as lesson
lesson.check("rest", rest)
# %% [markdown]
"""
## Exercise 2: the cheapest design, three times

For scatter between profiles of 0.5, 2 and 4 %: how many drums, and how many determinations of each bottle? The chance to
show sameness must be at least 0.8. Find the cheapest with `lesson.chance(drums, determinations, profiles)` and
`lesson.cost(drums, determinations)`; within 5 % of it is right. Write
`{0.5: (drums, determinations), 2.0: (drums, determinations), 4.0: (drums, determinations)}` with your numbers.
"""
# %%
from studykit.course import wheremoney as lesson
(lesson.chance(6, 1, 2.0), lesson.cost(6, 1))
# %% tags=["exercise"]
from studykit.course import wheremoney as lesson
### BEGIN SOLUTION
designs = {0.5: (4, 3), 2.0: (6, 4), 4.0: (16, 2)}
### END SOLUTION
# %% tags=["check"]
from studykit.course import wheremoney as lesson
lesson.check("designs", designs)
# %% [markdown]
"""
## The price of each choice

For the scatter that you set above: the fewest drums for each number of determinations, and the cost.
"""
# %%
import studykit.notebook as kit
from studykit.course import wheremoney as lesson
lesson.after(rest=rest, designs=designs)
kit.table(lesson.table(profiles), caption="Fewest drums that reach a chance of 0.8, and their cost, by determinations.")
# %% [markdown]
"""
## Summary

- A second determination halves the laboratory's share of the variance, and nothing else.
- A further container makes every part of the scatter count less.
- Where drums have settled alike, determinations pay; where they have not, containers do. Look in a pilot first.

Next: [lesson 5](05-random-order.ipynb).
"""
# %% [markdown] tags=["teacher"]
"""
**Time:** 45 minutes. **Say first:** ask one pupil ten times what the school dinner is like, or ten pupils once?

**Watch for:** designs with swapped numbers; the check says so. Students may search by hand: six tries each are enough.

**To discuss:** the best number of determinations is about √(price ratio × variance ratio) (Cochran): 13, 3.4 and 1.7
before rounding and before the few degrees of freedom of few drums. The sliders under *Try another design* in 01-design show
the kit's own chances.
"""
