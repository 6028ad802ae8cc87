"""Laboratory files by a second person who had the promise of the intake alone: each with its mapping and what was meant."""
