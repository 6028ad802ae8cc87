"""A forked kernel is as good as new: same outputs as one started anew, nothing of a neighbour, gone when its parent is."""

from __future__ import annotations

import ast
import contextlib
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import nbformat
import pytest
from jupyter_core.utils import ensure_event_loop, run_sync

from studykit.core.errors import StageFailed
from studykit.core.writer import LOCK
from studykit.report import nursery
from studykit.report import run as runner
from studykit.report.forks import imports_of, leaving_out
from studykit.report.kernels import FORKS, kernels
from studykit.study.stages import HERE, READS_FROM, STEMS, share
from tests.report.test_run import notebook

forking = pytest.mark.skipif(not FORKS, reason="kernels are forked on Linux only")
QUIET = lambda _: None  # noqa: E731
SPOILS = ("import numpy, os, sys, random, warnings, pandas\nnumpy.float64 = None\nos.environ['LEFT'] = 'behind'\n"
          "os.chdir('/')\nrandom.seed(1)\nnumpy.random.seed(1)\nleft = 'behind'\nsys.modules['json'] = None\n"
          "pandas.set_option('display.max_rows', 1)\nwarnings.simplefilter('error')")
LOOKS = ("import json, os, sys, numpy, pandas, warnings\n"
         "print(numpy.float64(1.5), os.environ.get('LEFT'), os.path.basename(os.getcwd()), 'left' in globals(), __name__)\n"
         "print(pandas.get_option('display.max_rows'), sys.path[-1:], sys.argv[1], os.environ['STUDYKIT_HEADLESS'])\n"
         "print(sorted(str(f[:3]) for f in warnings.filters), sorted(k for k in globals() if not k.startswith('_')))",
         "print(sys.flags, sys.stdin.isatty() if sys.stdin else None, os.stat('.').st_ino)",
         "import matplotlib.pyplot as plt\nplt.plot([1, 2], [3, 4]);",
         "print(plt.get_backend(), plt.rcParams['figure.dpi'])\n!echo from a shell",
         "pandas.DataFrame({'a': [1, 2]})",
         "sys.stderr.write('to stderr')",
         "from IPython.display import Markdown, display\ndisplay(Markdown('**x**'))\n1 / 3")


def written(folder, name, *cells):
    folder.mkdir(exist_ok=True)
    return notebook(folder / f"{name}.ipynb", *cells)


def executed(tmp_path, books, *, separate):
    """The executed notebooks of a folder by name, run in order."""
    sources = {p.stem: p for p in sorted(books.glob("*.ipynb"))}
    targets = {s: tmp_path / f"out-{separate}" / f"{s}.ipynb" for s in sources}
    runner.run_notebooks(sources, targets, {"study": "x", "out_dir": "y"}, QUIET, separate=separate)
    return {s: p.read_text(encoding="utf-8") for s, p in targets.items()}


def streams_joined(text: str) -> str:
    """A notebook whose printed lines stand in one piece: in how many pieces they come is a matter of the machine's load."""
    book = nbformat.reads(text, 4)
    for cell in book.cells:
        kept = []
        for o in cell.get("outputs", ()):
            if kept and o.output_type == kept[-1].output_type == "stream" and o.name == kept[-1].name:
                kept[-1].text += o.text
            else:
                kept.append(o)
        if "outputs" in cell:
            cell.outputs = kept
    return nbformat.writes(book)


@forking
@pytest.mark.slow
def test_a_forked_kernel_gives_what_one_started_anew_gives_and_sees_nothing_of_its_neighbour(tmp_path):
    """Byte for byte, after a neighbour that spoiled all it could reach; kernels differ in nothing but their chance."""
    written(tmp_path / "books", "a", SPOILS)
    written(tmp_path / "books", "b", *LOOKS)
    forked, separate = (executed(tmp_path, tmp_path / "books", separate=s) for s in (False, True))
    assert {k: streams_joined(v) for k, v in forked.items()} == {k: streams_joined(v) for k, v in separate.items()}
    said = "".join(o.get("text", "") for c in nbformat.reads(forked["b"], 4).cells for o in c.get("outputs", ()))
    assert "1.5 None books False __main__" in said
    assert "from a shell" in said
    assert "image/png" in forked["b"]


@pytest.mark.slow
@forking
def test_chance_is_not_shared(tmp_path):
    """What is not seeded differs between notebooks, as it does between processes; a copied state would repeat itself."""
    for name in "ab":
        written(tmp_path / "books", name, "import numpy, random, uuid\n(numpy.random.rand(), random.random(), uuid.uuid4())")
    found = executed(tmp_path, tmp_path / "books", separate=False)
    drawn = [re.findall(r"0\.\d+|UUID\('[0-9a-f-]+'\)", text) for text in found.values()]
    assert len(drawn[0]) == len(drawn[1]) >= 3
    assert not set(drawn[0]) & set(drawn[1])


@pytest.mark.slow
@pytest.mark.parametrize("separate", [pytest.param(False, marks=forking), True])
def test_a_kernel_that_dies_is_told(tmp_path, separate):
    written(tmp_path / "books", "a", "import os\nos._exit(3)")
    with pytest.raises(StageFailed, match=r"a\.ipynb: the kernel stopped"):
        executed(tmp_path, tmp_path / "books", separate=separate)


@pytest.mark.slow
@pytest.mark.parametrize("separate", [pytest.param(False, marks=forking), True])
def test_a_kernel_that_does_not_answer_in_time_is_told_in_one_sentence(tmp_path, separate, monkeypatch, capfd):
    """However busy the machine: who waits is told what to do, and nothing of the libraries' own words reaches the terminal."""
    waited = []

    async def never(self, timeout=None):
        waited.append(timeout)
        raise RuntimeError(f"Kernel didn't respond in {timeout} seconds")

    monkeypatch.setattr("jupyter_client.asynchronous.client.AsyncKernelClient.wait_for_ready", never)
    written(tmp_path / "books", "a", "1")
    with pytest.raises(StageFailed, match=r"a\.ipynb: no kernel answered within 15 minutes: .* -> close other programs"):
        executed(tmp_path, tmp_path / "books", separate=separate)
    assert waited == [900]
    out, err = capfd.readouterr()
    assert out == ""
    assert not re.search("respond|nbclient|papermill|RuntimeError", err)
    assert separate or err == "" or err.startswith("Exception ignored in")  # a Python stopped while it starts says so itself


@pytest.mark.slow
def test_nothing_that_a_run_started_is_left(tmp_path):
    with kernels((), separate=not FORKS) as manager:
        km = manager(kernel_name="python3")
        with contextlib.closing(ensure_event_loop()):
            run_sync(km.start_kernel)()
        pid, process = km.provisioner.pid, km.provisioner.process
        os.kill(pid, 0)
    if not FORKS:
        process.wait(10)
    assert gone(pid)
    km.context.destroy(linger=0)


def gone(pid, within=10.0):
    """True once no such process runs."""
    deadline = time.monotonic() + within
    while time.monotonic() < deadline:
        with contextlib.suppress(OSError, AttributeError):  # Windows has no zombies to wait for
            os.waitpid(pid, os.WNOHANG)
        stat = Path(f"/proc/{pid}/stat")
        if not stat.exists() or stat.read_text().rpartition(")")[2].split()[0] == "Z":
            return True
        time.sleep(0.05)
    return False


@forking
@pytest.mark.slow
def test_a_killed_run_takes_its_kernels_with_it(tmp_path):
    written(tmp_path / "books", "a", f"import os, time\nopen({str(tmp_path / 'pid')!r}, 'w').write(str(os.getpid()) + ' ' "
                                     "+ str(os.getppid()))\ntime.sleep(120)")
    code = (f"from pathlib import Path; from studykit.report.run import run_notebooks; b = Path({str(tmp_path)!r});"
            "run_notebooks({'a': b / 'books/a.ipynb'}, {'a': b / 'out/a.ipynb'}, {'study': 'x', 'out_dir': 'y'}, print)")
    run = subprocess.Popen([sys.executable, "-c", code], cwd=HERE.parent, stdout=subprocess.DEVNULL)
    deadline = time.monotonic() + 60
    while not (tmp_path / "pid").exists() or not (tmp_path / "pid").read_text():
        assert time.monotonic() < deadline
        time.sleep(0.05)
    run.kill()
    run.wait()
    assert all(gone(int(pid)) for pid in (tmp_path / "pid").read_text().split())


def test_what_the_kits_notebooks_import_is_found_and_can_be_loaded():
    import importlib.util

    found = imports_of(share("notebooks") / "06-verdict.ipynb")
    assert {"studykit.notebook", "studykit.verdict.tables", "studykit.model.tables"} <= set(found)
    assert all(importlib.util.find_spec(name.rpartition(".")[0] or name) for name in found)


def run_of(order, started, failing=(), barrier=None):
    lock = threading.Lock()

    def run(stem):
        with lock:
            started.append(stem)
        if barrier is not None:
            barrier.wait(5)
        if stem in failing:
            raise StageFailed(f"{stem} failed")
        return runner.StageRun(stem=stem, notebook=Path(stem), parameters={}, seconds=0.0)

    return runner.in_turn({s: frozenset(a) for s, a in order.items()}, run, lambda: None)


def test_each_waits_for_those_it_reads_and_for_no_other(monkeypatch):
    monkeypatch.setattr(runner, "WORKERS", 2)
    started: list[str] = []
    runs = run_of({"a": "", "b": "a", "c": "", "d": "bc"}, started)
    assert [r.stem for r in runs] == list("abcd")
    assert started.index("a") < started.index("b") < started.index("d") == 3
    both = threading.Barrier(2)  # broken unless two run at the same time
    assert len(run_of({"a": "", "b": ""}, [], barrier=both)) == 2


def test_what_most_others_wait_for_starts_first(monkeypatch):
    monkeypatch.setattr(runner, "WORKERS", 1)
    started: list[str] = []
    assert [r.stem for r in run_of({"a": "", "b": "", "c": "b", "d": "abc"}, started)] == list("abcd")
    assert started == list("bacd")


def test_what_is_long_and_waited_for_by_the_last_alone_starts_late(monkeypatch):
    from studykit.study.stages import READS_FROM, STEMS

    monkeypatch.setattr(runner, "WORKERS", 1)
    started: list[str] = []
    run_of(READS_FROM, started)
    assert started[0] == "03-intake"
    assert started.index("05-model") < started.index("06-verdict") < started.index("01-design")
    assert started[-1] == "07-report"
    assert sorted(started) == sorted(STEMS)


@pytest.mark.parametrize("workers", [1, 2, 4])
def test_the_failure_told_is_that_of_a_run_one_by_one(monkeypatch, workers):
    """Whatever runs at once: the first in order is raised, nothing after it starts once it is known, nothing waits for it."""
    monkeypatch.setattr(runner, "WORKERS", workers)
    order = {"a": "", "b": "", "c": "a", "d": "c", "e": ""}
    for failing in ("b", "bc", "ce", "a", "de"):
        started: list[str] = []
        with pytest.raises(StageFailed, match=f"{failing[0]} failed"):
            run_of(order, started, failing)
        assert set("abcde"[: "abcde".index(failing[0])]) <= set(started)
    assert "d" not in started or failing == "de"


def test_an_interruption_stops_what_runs(monkeypatch):
    monkeypatch.setattr(runner, "WORKERS", 2)
    stopped = threading.Event()

    def run(stem):
        assert stopped.wait(10)
        raise StageFailed("killed")

    def interrupted(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(runner, "wait", interrupted)
    with pytest.raises(KeyboardInterrupt):
        runner.in_turn({"a": frozenset(), "b": frozenset()}, run, stopped.set)
    assert stopped.is_set()


FOLDERS = {"design": "01-design", "sampling": "02-sampling", "intake": "03-intake", "quality": "04-quality",
           "model": "05-model", "verdict": "06-verdict"}


def stages_named(source: str) -> set[str]:
    """Stages whose folders a module names."""
    texts = [n.value for n in ast.walk(ast.parse(source)) if isinstance(n, ast.Constant) and isinstance(n.value, str)]
    return {s for s in STEMS for t in texts if t == s or t.startswith((f"{s}/", f"report/{s}/"))}


@pytest.mark.slow
def test_no_stage_reads_what_it_does_not_wait_for():
    """Folders of other stages that a chapter names are among those its notebook waits for; the walker can see them."""
    assert stages_named('x = root / "04-quality" / "numbers.json"; y = "05-model/fits.csv"') == {"04-quality", "05-model"}
    seen = set()
    for folder, stem in FOLDERS.items():
        for path in (HERE / folder).rglob("*.py"):
            named = stages_named(path.read_text(encoding="utf-8")) - {stem}
            assert named <= READS_FROM[stem], path
            seen |= named
    assert seen == {"04-quality"}
    assert all(STEMS.index(a) < STEMS.index(s) for s, waits in READS_FROM.items() for a in waits)
    assert set(READS_FROM) == set(STEMS)


def test_the_folder_of_a_killed_run_is_cleared_by_the_next(tmp_path, monkeypatch):
    """A killed plan once left its folder in the temporary place for good; that of a run that still goes on stays."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    killed = tmp_path / "studykit-run-killed"
    killed.mkdir()
    (killed / LOCK).touch()
    with kernels((), separate=True) as first, kernels((), separate=True):
        assert not killed.exists()
        assert Path(first.folder).is_dir()
    assert list(tmp_path.iterdir()) == []


@forking
def test_a_process_started_ahead_is_taken_once_and_never_left(monkeypatch):
    made: list[nursery.Nursery] = []

    class Counted(nursery.Nursery):
        def __init__(self, modules):
            super().__init__(["json"])  # loads in no time
            self.modules = frozenset(modules)
            made.append(self)

    monkeypatch.setattr(nursery, "Nursery", Counted)
    with nursery.ahead(("01-design", "02-sampling")):
        first, second = nursery.nursery_for(("01-design",)), nursery.nursery_for(("01-design",))
        assert [first, second] == made
    with nursery.ahead(nursery.PLAN):
        other = nursery.nursery_for(STEMS)  # needs more than is loaded
    assert made[3] is other
    assert made[2]._process.returncode is not None
    for one in (first, second, other):
        assert one._process.poll() is None
        one.drop()


def test_what_no_notebook_needs_is_left_out_and_can_be_imported_afterwards():
    """A name that is loaded already stays; the others fail meanwhile and not a moment longer."""
    sys.modules.pop("this", None)
    with leaving_out(("this", "json")):
        import json
        with pytest.raises(ImportError):
            import this  # noqa: F401
    assert sys.modules["json"] is json
    assert "this" not in sys.modules


@forking
def test_a_kernel_that_is_shut_down_ends_once_the_thread_that_was_asked_to_has_answered(tmp_path):
    """Were the others stopped before it, it could wait for one of them: 9 of 60 kernels took over 3 s, then were killed."""
    code = ("import threading, time\nfrom ipykernel.kernelapp import IPKernelApp\nfrom studykit.report import forks\n"
            "class App:\n    @classmethod\n    def launch_instance(cls, arguments):\n"
            "        cls.control_thread = threading.Thread(target=lambda: (time.sleep(0.3), print('answered')))\n"
            "        cls.control_thread.start()\n    @classmethod\n    def instance(cls):\n        return cls\n"
            "import ipykernel.kernelapp as module\nmodule.IPKernelApp = App\n"
            f"forks.become_kernel({{'folder': {str(tmp_path)!r}, 'environment': {{}}, 'arguments': []}})\nprint('left')\n")
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.split() == ["answered", "left"]
