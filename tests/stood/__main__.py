"""``python -m tests.stood [FOLDER [STUDY ...]]``: say which cells differ from the stored ones, then store them anew."""

from __future__ import annotations

import sys

from tests.stood.recorded import differences, file_of, load, store
from tests.stood.walk import FOLDERS, record

if __name__ == "__main__":
    for folder in sys.argv[1:2] or FOLDERS:
        stored = load(folder) if file_of(folder).exists() else {}
        now = {name: record(folder, name) for name in FOLDERS[folder] if name in (sys.argv[2:] or FOLDERS[folder])}
        for name in now:
            for d in differences(stored.get(name, {}), now[name]):
                print(f"{folder}, {name}: {d}")
        store(folder, {name: now.get(name) or stored[name] for name in FOLDERS[folder] if name in {*now, *stored}})
        print(f"{folder}: {sum(map(len, now.values()))} results stored", flush=True)
