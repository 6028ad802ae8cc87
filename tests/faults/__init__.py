"""The fault bench: a laboratory as it is, clean or with planted faults, and what the quality checks say of it.

``laboratory`` makes studies, ``planted`` spoils them and writes down the truth, ``bench`` counts. Nothing here uses
the checks' own assumptions: tails are heavy, draws scatter by themselves and alike in all analytes, runs differ a
little, containers settle by their own rates, check fluids hold something else than the stock.

Run: ``python -m tests.faults`` (see ``--help``).
"""
