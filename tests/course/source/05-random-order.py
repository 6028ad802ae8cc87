# %% [markdown]
"""
# Lesson 5: random order

**Aim.** To see a difference made of nothing by the order of the bottles, and to make it vanish.

**The question.** A paper mill stores starch slurry in twelve vats. The bottles stand in the crate by depth, upper ones
first, and the laboratory measures them as they stand. Its instrument drifts a little. Does it matter?

*Everything here is invented.*
"""
# %% [markdown]
"""
## Before you begin

In truth nothing has separated: every bottle holds 250 mg/kg of preservative.
"""
# %% tags=["parameters"]
seed: int = 3  # any whole number: noise of the laboratory
# %% [markdown]
"""
## Measured as they stood in the crate
"""
# %%
import studykit.notebook as kit
from studykit.course import randomorder as lesson
bottles = lesson.sorted_bottles()
readings = lesson.measure(bottles, seed)
kit.table(lesson.means(readings), caption="Mean of each depth, sorted bottles, drifting instrument.")
kit.figure(lesson.picture(readings), alt="Readings climb along the run; upper bottles stand first and low, lower ones last and high.",
           caption="Readings in mg/kg against the position in the run; circles upper, squares middle, diamonds lower.")
# %% [markdown]
"""
## Exercise 1: the bias

The instrument drifts by 6 % from the first to the last of 36 bottles. By how many per cent will the lower bottles read
above the upper ones, apart from noise?
"""
# %% tags=["exercise"]
from studykit.course import randomorder as lesson
### BEGIN SOLUTION
bias = 6 * 24 / 35
### END SOLUTION
# %% tags=["check"]
from studykit.course import randomorder as lesson
lesson.check("bias", bias)
# %% [markdown]
"""
## Exercise 2: let chance decide

Put the rows of the table `bottles` into a random order. (In pandas: `bottles.sample(frac=1, random_state=seed)`.)
"""
# %% tags=["exercise"]
from studykit.course import randomorder as lesson
### BEGIN SOLUTION
order = bottles.sample(frac=1, random_state=seed)
### END SOLUTION
# %% tags=["check"]
from studykit.course import randomorder as lesson
lesson.check("order", order)
# %% [markdown]
"""
## Your order, the same drift
"""
# %%
import studykit.notebook as kit
from studykit.course import randomorder as lesson
shuffled = lesson.measure(order, seed)
kit.table(lesson.means(shuffled), caption="Mean of each depth, your random order, the same drift.")
kit.figure(lesson.picture(shuffled), alt="Readings climb as before; the three depths are scattered all along the run.",
           caption="Readings in mg/kg against the position in the run, in random order.")
# %% [markdown]
"""
## Exercise 3: is the bias gone?

`differences` holds lower minus upper, in %, of four hundred runs, each in a random order of its own. What is their mean, the
bias that is left? (Two decimals or more.)
"""
# %% tags=["exercise"]
from studykit.course import randomorder as lesson
differences = lesson.many(seed, shuffled=True)
### BEGIN SOLUTION
left = differences.mean()
### END SOLUTION
# %% tags=["check"]
from studykit.course import randomorder as lesson
lesson.check("left", left, seed)
# %% [markdown]
"""
## Bias into scatter
"""
# %%
import studykit.notebook as kit
from studykit.course import randomorder as lesson
lesson.after(seed, bias=bias, order=order, left=left)
kit.table(lesson.two_ways(seed), caption="Lower minus upper over four hundred runs, %.", digits=3)
kit.figure(lesson.both(seed), alt="A narrow outline far from the truth, sorted; a wider one around the truth, random order.",
           caption="Lower minus upper, %, in four hundred runs without a true difference.")
# %% [markdown]
"""
## Summary

- An instrument that drifts turns the order of bottles into a difference between depths.
- **Randomisation** means that chance decides who is drawn and measured first. It turns a bias, which nothing shows, into
  scatter, which the interval takes into account.
- Chance may also decide within each vat, vat by vat: a *randomised block*.
- Taking turns (upper, middle, lower, upper, ...) is a pattern too. The kit draws the order for you, and writes it down.

Next: [lesson 6](06-blinding-controls.ipynb).
"""
# %% [markdown] tags=["teacher"]
"""
**Time:** 35 minutes. **Say first:** marking essays: is the first pile marked as strictly as the last one?

**Watch for:** shuffling one column alone, which mixes up the labels; the check says so.

**To discuss:** drift of the laboratory is one thing that runs along; what runs along when drums are opened in the order
of the rack? The exact bias is 6 % × 24/35 = 4.11 %.
"""
