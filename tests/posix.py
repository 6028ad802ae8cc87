"""A mark for tests that need what Windows does not have: links without a privilege, named pipes, groups of processes."""

import os

import pytest

posix = pytest.mark.skipif(os.name == "nt", reason="needs links, pipes, permissions or groups of processes as POSIX has them")
