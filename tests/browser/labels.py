"""Labels of a drawing that lie over another label, a line or a mark, measured where a browser puts them.

Letters of the kit's drawings are outlines, so a label is a group that mirrors its letters; boxes are those of the ink.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

LABELS = """([svg, slack]) => {
  document.body.innerHTML = svg; document.body.style.margin = 0;
  const root = document.querySelector('svg');
  const scale = root.getBoundingClientRect().width / root.viewBox.baseVal.width;
  const letters = g => g.tagName === 'g' && /scale\\([0-9.]+ -[0-9.]+\\)/.test(g.getAttribute('transform') || '');
  const box = r => ({left: r.left / scale, right: r.right / scale, top: r.top / scale, bottom: r.bottom / scale});
  const labels = [...root.querySelectorAll('g')].filter(letters).map((g, n) => ({n, ...box(g.getBoundingClientRect())}))
    .filter(b => b.right - b.left > 0.5 && b.bottom - b.top > 0.5);
  const found = [];
  const at = b => [(b.left + b.right) / 2, (b.top + b.bottom) / 2].map(Math.round);
  labels.forEach((a, i) => labels.slice(i + 1).forEach(b => {
    const across = Math.min(a.right, b.right) - Math.max(a.left, b.left);
    const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    if (across > slack && down > slack) found.push(['label', ...at(a)]);
  }));
  const clips = e => {
    for (let p = e; p && p !== root; p = p.parentElement) {
      const id = (p.getAttribute('clip-path') || '').match(/#([\\w-]+)/);
      const shape = id && document.getElementById(id[1])?.firstElementChild;
      if (shape) { const m = p.getScreenCTM(), b = shape.getBBox();
        const corners = [[b.x, b.y], [b.x + b.width, b.y + b.height]].map(
          ([x, y]) => new DOMPoint(x, y).matrixTransform(m));
        return {left: corners[0].x / scale, top: corners[0].y / scale,
                right: corners[1].x / scale, bottom: corners[1].y / scale};
      }
    }
    return null;
  };
  const inside = (x, y, b, by) => x > b.left + by && x < b.right - by && y > b.top + by && y < b.bottom - by;
  const hit = (x, y, kind) => labels.forEach(b => {
    if (inside(x, y, b, slack)) found.push([kind, ...at(b)]);
  });
  for (const path of root.querySelectorAll('path')) {
    if (path.closest('defs') || !path.getTotalLength()) continue;
    const style = getComputedStyle(path);
    if (style.stroke === 'none' || !parseFloat(style.strokeWidth)) continue;
    const clip = clips(path), m = path.getScreenCTM(), length = path.getTotalLength();
    const step = 1.5 * scale / Math.hypot(m.a, m.b);
    for (let s = 0; s <= length; s += step) {
      const p = path.getPointAtLength(s).matrixTransform(m), x = p.x / scale, y = p.y / scale;
      if (!clip || inside(x, y, clip, -0.5)) hit(x, y, 'line');
    }
  }
  for (const use of root.querySelectorAll('use')) {
    if (letters(use.parentElement)) continue;
    const r = box(use.getBoundingClientRect()), clip = clips(use);
    const [x, y] = [(r.left + r.right) / 2, (r.top + r.bottom) / 2];
    if (clip && !inside(x, y, clip, -4)) continue;
    labels.forEach(b => {
      const across = Math.min(r.right, b.right) - Math.max(r.left, b.left);
      const down = Math.min(r.bottom, b.bottom) - Math.max(r.top, b.top);
      if (across > slack && down > slack) found.push(['mark', ...at(b)]);
    });
  }
  return {labels: labels.length, found: [...new Set(found.map(f => f.join(' ')))]};
}"""
SLACK = 0.7
"""Points that a label may reach into another thing: letters have round corners."""


def collisions(page: Any, svg: str, slack: float = SLACK) -> tuple[int, list[str]]:
    """How many labels a drawing has, and what lies over which: kind of thing, and the label's middle in points."""
    told = page.evaluate(LABELS, [svg, slack])
    return told["labels"], told["found"]


def drawings(report: Path) -> list[Path]:
    """Every drawing of a filed report, wide and narrow."""
    return sorted(report.glob("0*/figure-*.svg"))


def colliding(page: Any, report: Path) -> dict[str, list[str]]:
    """The drawings of a report in which labels lie over something, with what."""
    found = {p.relative_to(report).as_posix(): collisions(page, p.read_text(encoding="utf-8")) for p in drawings(report)}
    return {name: what for name, (_, what) in found.items() if what}
