"""What looks the same and is not: blanks, letters of other scripts, signs nobody sees, and types that Python takes for equal.

A line of a recheck must show what differs: no line may have two sides that read alike.
"""

from __future__ import annotations

import json
import shutil

import pytest

from studykit.core.errors import BadInput
from studykit.core.record import NumberRecord
from studykit.report import own
from studykit.report.compare import (
    Outcome,
    close_text,
    compare_notebooks,
    compare_pages,
    compare_records,
    compare_reports,
    compare_tables,
)
from studykit.report.manifest import FILE, canonical
from studykit.report.recheck import compare_manifests, compare_studies
from studykit.report.telling import excerpt, spelled
from studykit.report.verify import read_manifest, verify
from studykit.study.seal import seal_of
from studykit.study.stages import share
from tests.report.filed import rehash

PAGE = "<main><h2>One</h2><p>Stratified: silicon, 96.3 %.</p><pre>a  b</pre></main>"


def sides(rows):
    """Of each row the two sides, which must not read alike."""
    assert all(r["filed"] != r["re-executed"] for r in rows), rows
    return [(r["what"], r["filed"], r["re-executed"]) for r in rows]


def page(filed: str, same: bool = True) -> Outcome:
    out = Outcome()
    compare_pages("report.html", filed, PAGE, same, out)
    return out


def test_where_only_blanks_differ_one_line_says_so_for_a_whole_file():
    filed = PAGE.replace("Stratified: silicon", "Stratified:  silicon").replace("a  b", "a b\n").replace("<main>", "<main> ")
    out = page(filed)
    assert sides(out.rows) == [("report.html under 'the top': only blanks differ, here and in 2 more places", "(U+0020)",
                                "nothing")]
    assert out.notes == []
    out = page(filed, same=False)
    assert out.rows == []
    assert out.notes == ["report.html under 'the top': only blanks differ, here and in 2 more places; filed (U+0020), "
                         "now nothing"]


@pytest.mark.parametrize("sign", ["\xa0", "\u2003", "\u2009", "\u200b", "\u00ad", "\u3000", "\v", "\u2028", "\ufeff", "\u034f"])
def test_a_blank_of_another_kind_and_a_sign_nobody_sees_are_other_words(sign):
    assert not close_text("a b", f"a{sign}b")
    out = page(PAGE.replace("silicon, 96", f"silicon,{sign}96"))
    (what, filed, now), = sides(out.rows)
    assert what == "report.html under 'One'"
    assert f"(U+{ord(sign):04X})" in filed
    assert "silicon, 96.3" in now or "silicon,(U+0020)96.3" in now


@pytest.mark.parametrize(("a", "b", "filed", "now"), [
    ("silicon", "si1icon", "sil(U+006C)icon", "si1(U+0031)icon"),
    ("silicon", "s\u0456licon", "silicon", "s\u0456(U+0456)licon"),
    ("e\u0301", "\u00e9", "e\u0301(U+0301)", "\u00e9(U+00E9)"),
    ("modern", "modem", "moder(U+0072)n(U+006E)", "modem(U+006D)"),
    ("a b", "a  b", "a b", "a (U+0020)b"), ("", " ", "nothing", "(U+0020)"), ("a\tb", "a b", "a(U+0009)b", "a(U+0020)b"),
    ("x" * 500 + "1", "x" * 500 + "2", "x" * 20 + "1", "x" * 20 + "2"),
    ("a" + "x" * 90 + "1", "b" + "x" * 90 + "2", "a" + "x" * 59 + " … and differs up to 32 signs further on",
     "b" + "x" * 59 + " … and differs up to 32 signs further on"),
])
def test_an_excerpt_shows_where_two_texts_part(a, b, filed, now):
    assert excerpt(a, b) == (filed, now)
    assert excerpt(b, a) == (now, filed)


def test_a_name_in_letters_of_two_scripts_is_spelled_out():
    assert spelled("report/r\u0435port.html") == "report/r\u0435(U+0435)port.html"
    assert spelled("\u00d6l, \u00b5g, gr\u00f6\u00dfe") == "\u00d6l, \u00b5g, gr\u00f6\u00dfe"
    assert spelled("\u0440\u0435") == "\u0440\u0435"


@pytest.mark.parametrize(("filed", "where", "old", "new"), [
    ('"a, b",c\n1,x\n', "its shape", '1 rows under "a, b",c', "1 rows under a,b"),
    ("\u0430,b\n1,x\n", "its shape", "1 rows under \u0430(U+0430),b", "1 rows under a,b"),
    ("a,b\n1\n", "its shape", "1 cells in row 2", "2 cells"),
    ("a,b\n1, x\n", "row 2, b", "(U+0020)x", "x"),
    ("a,b\n1,\n", "row 2, b", "empty", "x"),
    ("a,b\n1,x\xa0\n", "row 2, b", "x(U+00A0)", "x"),
    ("a,b\n1,x\n\n", "its shape", "2 rows under a,b", "1 rows under a,b"),
    ("", "its shape", "0 rows under nothing", "1 rows under a,b"),
    ('a,b\n1,"x"\n', "its form", "other line ends, quotes or bytes", "as the kit writes it"),
    ('a,b\n1.0,"x"\n', "row 2, a", "1.0", "1"),
])
def test_a_table_shows_what_differs(filed, where, old, new):
    out = Outcome()
    compare_tables("05-model/x.csv", filed, "a,b\n1,x\n", out)
    assert sides(out.rows)[0] == (f"05-model/x.csv{', ' if where.startswith('its') else ' '}{where}", old, new)


def test_other_quotes_beside_a_digit_beyond_the_class_are_told_too():
    out = Outcome()
    compare_tables("05-model/x.csv", 'a,b\n1.00000001,"x"\n', "a,b\n1.0,x\n", out)
    assert [r["what"] for r in out.rows] == ["05-model/x.csv, its form"]


def notebook(**change):
    cell = {"cell_type": "code", "execution_count": 1, "metadata": {}, "source": ["x = 1\n", "x"],
            "outputs": [{"output_type": "execute_result", "execution_count": 1, "metadata": {}, "data": {
                "text/plain": ["mean 1.5\n", "  n 3"]}}]}
    book = {"cells": [cell | change], "metadata": {}, "nbformat": 4, "nbformat_minor": 5}
    return json.dumps(book, indent=1, ensure_ascii=False, sort_keys=True) + "\n"


@pytest.mark.parametrize(("change", "where"), [
    ({"execution_count": True}, "cell 1, its form"), ({"execution_count": 1.0}, "cell 1, its form"),
    ({"source": "x = 1\nx"}, "cell 1, its form"), ({"source": ["x = 1\n", "x "]}, "cell 1, its code or text"),
    ({"source": ["x =\xa01\n", "x"]}, "cell 1, its code or text"),
    ({"outputs": [{"output_type": "execute_result", "execution_count": 1, "metadata": {}, "data": {
        "text/plain": "mean 1.5\n  n 3"}}]}, "cell 1, output 1, its form"),
    ({"outputs": [{"output_type": "execute_result", "execution_count": 1, "metadata": {}, "data": {
        "text/plain": ["mean 1.5\n", " n 3"]}}]}, "cell 1, output 1, text/plain: only blanks differ"),
])
def test_a_notebook_in_other_types_or_blanks_is_told(change, where):
    out = Outcome()
    compare_notebooks("05-model/05-model.ipynb", notebook(**change), notebook(), True, out)
    assert [r["what"] for r in out.rows] == [f"05-model/05-model.ipynb {where}"]
    sides(out.rows)
    assert out.notes == []


@pytest.mark.few(1)
@pytest.mark.parametrize("change", [
    lambda text: text.replace("  <", " <"), lambda text: text + "<", lambda text: text + "<!", lambda text: text + " ",
    lambda text: text.replace("<p>", "<p >", 1), lambda text: text.replace("\n", "\r\n"), lambda text: "\ufeff" + text,
    lambda text: text.replace(" a", "\xa0a", 1), lambda text: text.replace("o", "\u043e", 1)],
    ids=["blanks", "<", "<!", "end", "in a tag", "line ends", "byte order mark", "unbroken", "script"])
def test_any_byte_of_the_page_is_named(change, root, filed):
    path = root / "report/report.html"
    text = path.read_text(encoding="utf-8")
    other = change(text)
    if other == text:
        pytest.skip("nothing of the kind on the page")
    path.write_bytes(other.encode())
    rehash(root)
    rows = compare_studies(root, filed, same_programs=True).rows
    assert 1 <= len(rows) <= 2
    sides(rows)


def test_a_file_that_nothing_else_names_is_named_by_its_bytes(tmp_path, monkeypatch):
    for name, text in (("a", "x"), ("b", "y")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "t.csv").write_text(text)
    monkeypatch.setattr("studykit.report.compare._compare_file", lambda *_: None)
    (row,) = compare_reports(tmp_path / "a", tmp_path / "b", same_programs=True).rows
    assert row["what"] == "t.csv, its form"


@pytest.mark.parametrize(("old", "new"), [
    ({"digits": 3}, {"digits": "3"}), ({"digits": 3}, {"digits": True}), ({"digits": 3}, {"digits": 3.0}),
    ({"value": 1.0}, {"value": True}), ({"value": 1.0}, {"value": 1}), ({"value": 1}, {"value": "1"}),
    ({"value": "silicon"}, {"value": "s\u0456licon"}),
    ({"value": 1.0}, {"value": 1.00002}), ({"unit": "mg/kg"}, {"unit": "mg/kg "})])
def test_a_record_of_another_type_is_a_difference_that_can_be_read(old, new):
    a, b = (NumberRecord(**({"name": "x", "value": 1.0, "stage": "s"} | more)) for more in (new, old))
    rows = compare_records([a], [b])
    assert len(rows) == 1
    sides(rows)


def _manifest(root, change):
    data = json.loads((root / FILE).read_text())
    change(data)
    (root / FILE).write_text(canonical(data))


@pytest.mark.few(1)
@pytest.mark.parametrize("kind", [float, str, bool])
def test_sizes_of_another_type_are_named(root, kind):
    (root / "raw/one.csv").write_text("1")
    rehash(root)
    assert verify(root).differences == ()
    _manifest(root, lambda m: m["inputs"]["raw/one.csv"].update(bytes=kind(m["inputs"]["raw/one.csv"]["bytes"])))
    (row,) = verify(root).differences
    assert row["what"] == "raw/one.csv"
    sides([row])


def test_a_hash_with_the_same_first_digits_is_shown_where_it_differs(root):
    _manifest(root, lambda m: m["inputs"]["study.toml"].update(sha256=m["inputs"]["study.toml"]["sha256"][:-1] + "g"))
    ((what, filed, _),) = sides(verify(root).differences)
    assert what == "study.toml"
    assert filed.endswith("g")


def test_types_in_the_manifest_are_compared():
    fresh = {"seed": 1, "alpha": 0.05, "notebooks": {"a": {"own": False}}, "x": ["1"], "t": "x" * 80 + "a"}
    filed = {"seed": True, "alpha": "0.05", "notebooks": {"a": {"own": 0}}, "x": [1], "t": "x" * 80 + "b"}
    rows = compare_manifests(filed, fresh)
    assert {r["what"] for r in rows} == {"seed", "alpha", "notebooks, a, own", "x", "t"}
    sides(rows)
    assert compare_manifests(fresh, fresh) == []


@pytest.mark.few(1)
@pytest.mark.parametrize("form", [True, 1.0, "1"])
def test_the_form_of_a_lock_is_a_whole_number(root, form):
    path = root / "plan/plan.lock"
    if not path.exists():
        entry = {"kind": "lock", "date": "2026-01-01", "reason": "", "results_there": False, "promises": {}, "tables": {}}
        sealed = entry | {"seal": seal_of(entry, "")}
        path.write_text(json.dumps({"entries": [sealed], "format": 1, "last_seal": sealed["seal"]}))
    rehash(root)
    assert verify(root).differences == ()
    path.write_text(json.dumps(json.loads(path.read_text()) | {"format": form}))
    rehash(root)
    assert [r["what"] for r in verify(root).differences] == ["plan/plan.lock"]


def test_records_that_hold_true_have_lost_their_form(root):
    path = root / "report/numbers.json"
    data = json.loads(path.read_text())
    data[0]["digits"] = True
    path.write_text(canonical(data))
    rehash(root)
    assert [r["what"] for r in verify(root).differences] == ["report/numbers.json"]


def test_a_number_too_large_for_one_is_no_manifest(root):
    (root / FILE).write_text((root / FILE).read_text().replace('"alpha": 0.05', '"alpha": 1e999'))
    with pytest.raises(BadInput, match="1e999 is no number"):
        read_manifest(root)


def test_lines_of_a_notebook_cell_show_where_they_differ(tmp_path):
    name = "05-model.ipynb"
    kit = share("notebooks") / name
    book = json.loads(kit.read_text(encoding="utf-8"))
    cell = next(c for c in book["cells"] if c["cell_type"] == "markdown" and len("".join(c["source"])) > 200)
    text = "".join(cell["source"])
    for other in (text + " ", text + "\n", text.replace(" ", "\xa0", 1), text.replace("o", "\u043e", 1), text[:-2] + "!"):
        cell["source"] = other
        (tmp_path / name).write_text(json.dumps(book))
        (found,) = own.differing_cells(tmp_path / name, kit)
        gone, come = (["".join(d[1:]) for d in found.lines if d[0] == sign] for sign in "-+")
        assert gone != come, found
        assert found.lines


def test_many_digits_take_no_time(tmp_path):
    """Looked for with a way back within a number, this took hours."""
    for name, text in (("a", "<p>" + "1" * 900_000 + "a" + "<" * 90_000), ("b", "<p>1</p>")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "report.html").write_text(text)
    assert compare_reports(tmp_path / "a", tmp_path / "b", same_programs=True).rows


def test_a_file_that_is_far_too_large_is_not_read_on(root, filed):
    shutil.copy(root / "report/report.html", root / "kept")
    with (root / "report/report.html").open("ab") as page_file:
        page_file.truncate(60_000_000)
    (row,) = compare_studies(root, filed, same_programs=True).rows
    assert row["filed"] == "60000000 bytes, too many to read on"


def test_the_kind_that_a_page_gives_a_picture_is_compared():
    """The same bytes under another kind are another picture, or none."""
    filed, fresh = (f'<main><img alt="x" src="data:image/{kind};base64,AAAA"></main>' for kind in ("svg+xml", "png"))
    out = Outcome()
    compare_pages("report.html", filed, fresh, True, out)
    assert sides(out.rows) == [("report.html under 'the top', its form", '<img alt="x" src="drawing"',
                                '<img alt="x" src="picture"')]
