"""What the public functions of a folder gave for a dozen invented studies, as it stood, with no outside source.

These tables say that a number or a word changed, not that it was right: other tests say that. ``studies`` makes the
studies, ``recorded`` notes what each public function gives, ``python -m tests.stood [FOLDER ...]`` stores it anew, after
somebody has looked at the cells that differ.
"""
