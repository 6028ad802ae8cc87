"""Do the nearest tests notice a changed sign, limit, factor or level? ``python -m tests.mutation`` (Linux, macOS).

``operators`` makes small faults in the syntax tree of a module, ``targets`` names the modules that carry
numbers and the tests nearest to each, ``engine`` runs one mutant against those tests only, ``learnt`` knows the slow ones.
"""
