"""The tests of the kit."""
