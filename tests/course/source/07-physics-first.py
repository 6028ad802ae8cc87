# %% [markdown]
"""
# Lesson 7: physics first

**Aim.** To estimate, before anybody opens a container, how far particles fall, and where to look for them.

**The question.** A pottery stores glaze with quartz particles of 2 µm in a tank. It stood for 84 days. Which bottle will
show that something has settled?

*Everything here is invented.*
"""
# %% [markdown]
"""
## Before you begin

Stokes' law gives the speed of a small sphere: density difference × g × diameter² / (18 × viscosity). Use 9.81 m/s² for g.
"""
# %% tags=["parameters"]
days: float = 84.0  # standing time; the checks of this lesson expect 84
# %% [markdown]
"""
## What the pottery knows
"""
# %%
import studykit.notebook as kit
from studykit.course import physicsfirst as lesson
kit.table(lesson.known(), caption="The glaze, its particles and its tank.")
# %% [markdown]
"""
## Exercise 1: the fall

How far, in mm, does a particle fall in the standing time?
"""
# %% tags=["exercise"]
from studykit.course import physicsfirst as lesson
### BEGIN SOLUTION
speed = (2600 - 1040) * 9.81 * 2e-6 ** 2 / (18 * 0.2)
fall = 1000 * speed * days * 86400
### END SOLUTION
# %% tags=["check"]
from studykit.course import physicsfirst as lesson
lesson.check("fall", fall)
# %% [markdown]
"""
## Exercise 2: the upper zone

The tank is divided into three zones of 200 mm. Particles fall one behind another, so that the glaze above a front is
empty and below it as on the first day. Which share of its particles has the upper zone left, between 0 and 1?
"""
# %% tags=["exercise"]
from studykit.course import physicsfirst as lesson
### BEGIN SOLUTION
upper = (200 - fall) / 200
### END SOLUTION
# %% tags=["check"]
from studykit.course import physicsfirst as lesson
lesson.check("upper", upper)
# %% [markdown]
"""
## Exercise 3: the lower zone

And the lower zone, as a share of its first content? Think of what falls in and what falls out.
"""
# %% tags=["exercise"]
from studykit.course import physicsfirst as lesson
### BEGIN SOLUTION
lower = 1.0
### END SOLUTION
# %% tags=["check"]
from studykit.course import physicsfirst as lesson
lesson.check("lower", lower)
# %% [markdown]
"""
## Exercise 4: where the matter went

Which share of all particles of the tank lies on the floor?
"""
# %% tags=["exercise"]
from studykit.course import physicsfirst as lesson
### BEGIN SOLUTION
floor = fall / 600
### END SOLUTION
# %% tags=["check"]
from studykit.course import physicsfirst as lesson
lesson.check("floor", floor)
# %% [markdown]
"""
## The tank after the standing time
"""
# %%
import studykit.notebook as kit
from studykit.course import physicsfirst as lesson
lesson.after(fall=fall, upper=upper, lower=lower, floor=floor)
kit.table(lesson.profile(), caption="What is left in each zone, and what lies on the floor.", digits=3)
kit.figure(lesson.picture(), alt="Full concentration from the floor up to a sharp front in the upper zone, nothing above it.",
           caption="Concentration against height above the floor, mm; dashed: bounds of the zones.")
# %% [markdown]
"""
## Summary

- A particle of half the diameter falls a quarter as far: size counts squared.
- A sparse suspension does not enrich the lower zone. What is gone from the top lies on the floor.
- So the bottle from the middle of the lower zone shows nothing, and the draw from the floor (the heel) everything.

Next: [lesson 8](08-find-faults.ipynb).
"""
# %% [markdown] tags=["teacher"]
"""
**Time:** 45 minutes. **Say first:** shake a jar of sand and water; where will the sand be in a minute, and was it ever
denser in between?

**Watch for:** radius in place of diameter (a quarter), metres, the density of the particle alone; each has its hint.

**To discuss:** crowded suspensions hinder one another and do enrich lower zones: the demo *forge*. Warmth thins the liquid;
convection may stir it: see the page on physics.
"""
