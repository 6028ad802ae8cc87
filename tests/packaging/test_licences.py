"""Nothing copyleft at run time beyond what is named with its reason."""

from tests.packaging.licences import ALLOWED, COPYLEFT, licence, needed


def test_copyleft_only_where_a_reason_is_written():
    found = {name for name in needed() if COPYLEFT.search(licence(name))}
    assert found == set(ALLOWED)  # none unnamed, and no exception outlives its reason


def test_a_copyleft_licence_would_be_seen():
    assert COPYLEFT.search("GNU General Public License v3")
    assert COPYLEFT.search("LGPL-3.0-or-later")
    assert not COPYLEFT.search("BSD-3-Clause; MIT; Apache-2.0; PSF-2.0")
