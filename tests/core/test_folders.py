"""Folders that are removed: whole, and nothing else with them."""

from studykit.core import folders
from tests.posix import posix


@posix
def test_an_old_report_is_removed_whole_and_nothing_that_a_link_leads_to(tmp_path):
    inside, other = tmp_path / "old" / "a" / "b", tmp_path / "other"
    inside.mkdir(parents=True)
    other.mkdir()
    for place in (inside, inside.parent, other):
        (place / "x.csv").write_text("1")
    (tmp_path / "old" / "far").symlink_to(other)
    (tmp_path / "link").symlink_to(other)
    folders.remove(tmp_path / "old")
    folders.remove(tmp_path / "link")
    folders.remove(tmp_path / "absent")
    assert not (tmp_path / "old").exists()
    assert [p.name for p in other.iterdir()] == ["x.csv"]
