"""Boxes of everything that is read on a page, as a browser lays them out: which overlap, which are cut off."""

from __future__ import annotations

from typing import Any

FIND = """() => {
  const shown = (e) => {
    if (!e.getClientRects().length || e.closest("details:not([open]) > :not(summary)")) return false;
    const style = getComputedStyle(e);
    return style.visibility !== "hidden" && style.display !== "none";
  };
  const said = (e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
  const boxes = [];
  // Of a line of text, what its letters take: some of its height is room.
  const add = (e, rect, words, room = 0) => {
    const [t, b] = [rect.top + room * rect.height, rect.bottom - room * rect.height];
    if (rect.width > 0.5 && b - t > 0.5) boxes.push({ l: rect.left, t, r: rect.right, b, words: words.trim(), e });
  };
  for (const e of document.querySelectorAll("body *")) {
    if (e.closest("script, style, defs, noscript, .shared") || !shown(e)) continue;
    if (e.tagName === "text") add(e, e.getBoundingClientRect(), "svg: " + e.textContent, 0.22);
    else if (e.tagName === "AUDIO" || e.tagName === "INPUT") add(e, e.getBoundingClientRect(), e.tagName);
    else if (e.matches(".plot > svg, .printed-plot > svg")) add(e, e.getBoundingClientRect(), "chart");
    else if (!e.closest("svg") && said(e)) {
      const range = document.createRange();
      for (const n of e.childNodes) {
        if (n.nodeType !== 3 || !n.textContent.trim()) continue;
        range.selectNodeContents(n);
        for (const rect of range.getClientRects()) add(e, rect, e.tagName + ": " + n.textContent, 0.2);
      }
    }
  }
  const overlaps = [];
  boxes.sort((a, b) => a.t - b.t);
  for (let i = 0; i < boxes.length; i++)
    for (let j = i + 1; j < boxes.length && boxes[j].t < boxes[i].b; j++) {
      const [a, b] = [boxes[i], boxes[j]];
      const ofOneChart = a.e !== b.e && (a.e.contains(b.e) || b.e.contains(a.e));
      const [wide, tall] = [Math.min(a.r, b.r) - Math.max(a.l, b.l), Math.min(a.b, b.b) - Math.max(a.t, b.t)];
      if (!ofOneChart && wide > 1 && tall > 1) overlaps.push(a.words + " | " + b.words);
    }
  const cut = [];
  for (const box of boxes)
    if (box.e.tagName === "text") {
      const whole = box.e.ownerSVGElement.getBoundingClientRect();
      const out = [whole.left - box.l, box.r - whole.right, whole.top - box.t, box.b - whole.bottom];
      if (Math.max(...out) > 1) cut.push(box.words);
    }
  return { overlaps, cut, count: boxes.length };
}"""

BROKEN = """() => {
  const broken = [];
  const range = document.createRange();
  for (const head of document.querySelectorAll("thead th"))
    for (const n of head.childNodes)
      if (n.nodeType === 3 && head.getClientRects().length)
        for (const found of n.textContent.matchAll(/\\S+/g)) {
          range.setStart(n, found.index);
          range.setEnd(n, found.index + found[0].length);
          if (new Set([...range.getClientRects()].map((r) => Math.round(r.top))).size > 1) broken.push(found[0]);
        }
  return broken;
}"""


def boxes_of(page: Any) -> dict[str, Any]:
    """Overlapping pairs, texts that stand out of their chart, and how many boxes were looked at."""
    found: dict[str, Any] = page.evaluate(FIND)
    return found
