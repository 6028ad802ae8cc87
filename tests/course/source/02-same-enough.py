# %% [markdown]
"""
# Lesson 2: no difference seen is not the same

**Aim.** To write the rule by which an interval becomes a word, and to see why there are three words.

**The question.** A theatre keeps fog fluid in kegs. The technician opened three, found no difference between top and
bottom, and wrote: *the fluid is uniform*. Has she shown that?

*Everything here is invented.*
"""
# %% [markdown]
"""
## Before you begin

A difference up to 5 % of the glycol does not matter on stage: that is the **margin**.
"""
# %% tags=["parameters"]
margin: float = 5.0  # per cent; the checks of this lesson expect 5
# %% [markdown]
"""
## Ten studies

Each line is a study: the 90 % interval of the difference between lowest and uppermost zone. In nine studies of ten the
true difference lies somewhere in that interval.
"""
# %%
import studykit.notebook as kit
from studykit.course import sameenough as lesson
kit.table(lesson.table(), caption="Ten studies, 90 % intervals of lowest minus uppermost zone.")
kit.figure(lesson.picture(), alt="Ten intervals, some inside the margin, some beyond, some across its edge.",
           caption="The ten intervals in %; dashed lines: the margin on either side of zero.")
# %% [markdown]
"""
## Exercise 1: write the rule

The function gets the two ends of an interval and the margin, and returns a word: `"homogeneous"` where sameness was
shown, `"stratified"` where a difference beyond the margin was shown, `"inconclusive"` where neither was. The check runs
your rule over the ten studies.
"""
# %% tags=["exercise"]
from studykit.course import sameenough as lesson
def word(low, high, margin):
    ### BEGIN SOLUTION
    if -margin < low and high < margin:
        return "homogeneous"
    if low > margin or high < -margin:
        return "stratified"
    return "inconclusive"
    ### END SOLUTION
# %% tags=["check"]
from studykit.course import sameenough as lesson
lesson.check("rule", word)
# %% [markdown]
"""
## How many kegs?

Suppose that nothing has separated. The third column is the chance that an ordinary test of *no difference* finds none.
The second is the chance that your rule says `"homogeneous"`. Kegs differ by 4 % among themselves.
"""
# %%
import studykit.notebook as kit
from studykit.course import sameenough as lesson
rows = lesson.chances()
kit.table(rows, caption="Chances where nothing has separated, by the number of kegs.", digits=3)
kit.figure(lesson.chance_picture(rows), alt="One curve climbs from near nothing towards one; the other is flat and high.",
           caption="Chance of each statement against kegs opened; thin line: the chance that is usually asked for.")
# %% [markdown]
"""
## Exercise 2: the smallest study that can show sameness

How many kegs give a chance of at least 0.8 to show it?
"""
# %% tags=["exercise"]
from studykit.course import sameenough as lesson
### BEGIN SOLUTION
kegs = 8
### END SOLUTION
# %% tags=["check"]
from studykit.course import sameenough as lesson
lesson.check("kegs", kegs)
# %% [markdown]
"""
## Exercise 3: the technician's three kegs

With what chance does a test of *no difference* find none after three kegs?
"""
# %% tags=["exercise"]
from studykit.course import sameenough as lesson
### BEGIN SOLUTION
content = 0.95
### END SOLUTION
# %% tags=["check"]
from studykit.course import sameenough as lesson
lesson.check("content", content)
# %% [markdown]
"""
## Summary

- *No difference found* rewards the small and careless study most. It is no evidence of sameness.
- Sameness is shown by an interval that lies wholly inside a margin. This is called an equivalence test, or two
  one-sided tests.
- *Inconclusive* is a result: it says that money or containers were too few.

Next: [lesson 3](03-margin-first.ipynb).
"""
# %% [markdown] tags=["teacher"]
"""
**Time:** 45 minutes. **Say first:** "I looked for my keys for five seconds and did not find them. Are they lost?"

**Watch for:** rules that ask whether zero lies inside; the check names that. Six wrong rules are recognised.

**To discuss:** who decides the margin in your shop, and from what? The chance is exact (Owen's Q function, Phillips 1990).
"""
