"""Read by every Python that the simulated Windows starts: it begins under the same rules."""

from tests.packaging.windows import install

install()
