"""Operating characteristics by simulation: how often the verdict rule errs, scenario by scenario."""
