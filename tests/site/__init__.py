"""The documentation as a static site: ``python -m tests.site`` (see ``__main__``)."""
