"use strict";
// Reading, linked pointer, keys and zoom of the charts. The charts themselves are in the page and need no script.
(() => {
  const pack = JSON.parse(document.getElementById("data").textContent);
  const LETTERS = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];
  const GRID = [10000, 4000]; // as the lines are written
  const SVG = "http://www.w3.org/2000/svg";
  const DRAGGED_PX = 6;
  const figures = new Map(); // name of a chart: what is known of it
  const views = new Map(); // name of a group: [low, high] that is shown, in the unit of x

  // Words of a value.
  const note = (hz) => {
    const n = Math.round(12 * Math.log2(hz / 440)) + 69;
    return LETTERS[((n % 12) + 12) % 12] + (Math.floor(n / 12) - 1);
  };
  const hertz = (hz) => (hz >= 999.5 ? (hz / 1000).toPrecision(3) + " kHz" : hz.toPrecision(3) + " Hz");
  const plain = (text) => String(text).replace("-", "\u2212");
  const xWords = (chart, x) => {
    if (chart.xAxis === "time") return x.toFixed(2) + " s";
    if (chart.xAxis === "pitch") return hertz(x) + " (" + note(x) + ")";
    if (chart.xAxis === "degrees") return x.toFixed(0) + "\u00b0";
    return plain(+x.toPrecision(4)) + (chart.xUnit ? " " + chart.xUnit : "");
  };
  const yWords = (chart, y) => {
    if (chart.yAxis === "pitch-y") return hertz(y) + " (" + note(y) + ")";
    const text = chart.yAxis === "log-percent" ? String(+y.toPrecision(3)) : y.toFixed(chart.decimals);
    return plain(text) + (chart.unit ? " " + chart.unit : "");
  };

  // Scales: u is a part of the whole chart, v a part of what is shown of it.
  const toU = (chart, x) => (chart.log ? Math.log(x / chart.low) / Math.log(chart.high / chart.low) : (x - chart.low) / (chart.high - chart.low));
  const fromU = (chart, u) => (chart.log ? chart.low * (chart.high / chart.low) ** u : chart.low + u * (chart.high - chart.low));
  const shown = (chart) => {
    const view = views.get(chart.group);
    return view ? [toU(chart, view[0]), toU(chart, view[1])] : [0, 1];
  };
  const nearest = (xs, x) => {
    let a = 0;
    let b = xs.length - 1;
    while (b - a > 1) {
      const m = (a + b) >> 1;
      if (xs[m] < x) a = m;
      else b = m;
    }
    return Math.abs(xs[a] - x) <= Math.abs(xs[b] - x) ? a : b;
  };
  const ticksOf = (chart, low, high, most) => {
    if (chart.log) {
      let best = [];
      for (const set of [[1], [1, 3], [1, 2, 5], [1, 1.5, 2, 3, 4, 5, 7], [1, 1.2, 1.4, 1.6, 1.8, 2, 2.5, 3, 3.5, 4, 4.5, 5, 6, 7, 8, 9]]) {
        const found = [];
        for (let e = Math.floor(Math.log10(low)); e <= Math.ceil(Math.log10(high)); e++)
          for (const m of set) {
            const tick = +(m * 10 ** e).toPrecision(4);
            if (tick >= low && tick <= high) found.push(tick);
          }
        if (!best.length || found.length <= most) best = found;
      }
      if (best.length >= 3) return best;
    }
    const power = 10 ** Math.floor(Math.log10((high - low) / most));
    for (const step of [power, 2 * power, 5 * power, 10 * power]) {
      const first = Math.ceil(low / step - 1e-9);
      const last = Math.floor(high / step + 1e-9);
      if (last - first + 1 <= most) return Array.from({ length: Math.max(0, last - first + 1) }, (_, i) => +((first + i) * step).toPrecision(12));
    }
    return [];
  };
  const tickText = (chart, x) => plain(chart.xAxis === "pitch" && x >= 1000 ? +(x / 1000).toPrecision(6) + " k" : +x.toPrecision(6));

  const make = (kind, attributes, parent) => {
    const element = document.createElementNS(SVG, kind);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    parent.append(element);
    return element;
  };

  // One drawing of a chart: its box, and what moves in it.
  const drawingOf = (svg) => {
    const [left, top, width, height] = svg.dataset.box.split(" ").map(Number);
    const ticks = svg.querySelector(".x-ticks");
    const grid = svg.querySelector(".x-grid");
    const use = svg.querySelector("use");
    return {
      svg, left, top, width, height, ticks, grid, use, em: +svg.getAttribute("font-size"),
      whole: { ticks: ticks.innerHTML, grid: grid.getAttribute("d"), use: use.getAttribute("transform") },
      cursor: make("path", { class: "cursor", d: "" }, svg),
      select: make("rect", { class: "select", y: top, height, width: 0 }, svg),
    };
  };
  const visible = (figure) => figure.drawings.find((d) => d.svg.getClientRects().length) || figure.drawings[0];

  const placeTicks = (chart, d, u0, u1) => {
    d.ticks.textContent = "";
    let path = "";
    for (const x of ticksOf(chart, fromU(chart, u0), fromU(chart, u1), Math.max(3, Math.floor(d.width / d.em / 4.6)))) {
      const at = d.left + ((toU(chart, x) - u0) / (u1 - u0)) * d.width;
      path += "M" + at + " " + d.top + "V" + (d.top + d.height);
      make("text", { class: "tick", x: at, y: d.top + d.height + 1.25 * d.em, "text-anchor": "middle" }, d.ticks).textContent = tickText(chart, x);
    }
    d.grid.setAttribute("d", path);
  };
  const placeMarks = (d, u0, u1) => {
    for (const link of d.svg.querySelectorAll(".mark-link")) {
      const [a, b] = [link.dataset.start, link.dataset.end].map((u) => (+u - u0) / (u1 - u0));
      link.style.display = b < 0 || a > 1 ? "none" : "";
      const x1 = d.left + Math.max(0, a) * d.width;
      const x2 = Math.max(d.left + Math.min(1, b) * d.width, x1 + 3);
      const bar = link.querySelector("path");
      bar.setAttribute("d", "M" + x1 + bar.getAttribute("d").replace(/^M\S+/, "").replace(/H.*/, "H" + x2));
      link.querySelector("text").setAttribute("x", x1 - 0.3 * d.em);
    }
  };
  const redraw = (figure) => {
    const [u0, u1] = shown(figure.chart);
    const whole = u0 <= 0 && u1 >= 1;
    for (const d of figure.drawings) {
      if (whole) {
        d.ticks.innerHTML = d.whole.ticks;
        d.grid.setAttribute("d", d.whole.grid);
        d.use.setAttribute("transform", d.whole.use);
      } else {
        const across = d.width / GRID[0] / (u1 - u0);
        d.use.setAttribute("transform", "translate(" + (d.left - (u0 * d.width) / (u1 - u0)) + " " + d.top + ") scale(" + across + " " + d.height / GRID[1] + ")");
        placeTicks(figure.chart, d, u0, u1);
      }
      placeMarks(d, Math.max(u0, 0), Math.min(u1, 1));
    }
    figure.button.hidden = whole;
  };
  const groupOf = (figure) => [...figures.values()].filter((other) => other.chart.group === figure.chart.group);
  const zoom = (figure, low, high) => {
    const all = groupOf(figure);
    const from = Math.max(low, Math.min(...all.map((f) => f.chart.low)));
    const to = Math.min(high, Math.max(...all.map((f) => f.chart.high)));
    const span = toU(figure.chart, to) - toU(figure.chart, from);
    if (!(span > 1e-3)) return;
    if (span > 0.999) views.delete(figure.chart.group);
    else views.set(figure.chart.group, [from, to]);
    for (const other of all) {
      redraw(other);
      if (other.at !== null) point(other, other.at);
    }
  };
  const showAll = (figure) => zoom(figure, -Infinity, Infinity);

  // The pointer: a line at one place of x in every chart of the group, and the values there.
  const point = (figure, index) => {
    const { chart } = figure;
    figure.at = index;
    const [u0, u1] = shown(chart);
    const v = (toU(chart, chart.x[index]) - u0) / (u1 - u0);
    for (const d of figure.drawings) {
      const at = d.left + v * d.width;
      d.cursor.setAttribute("d", v < -1e-6 || v > 1 + 1e-6 ? "" : "M" + at + " " + d.top + "V" + (d.top + d.height));
    }
    const said = chart.lines.filter((line) => line.y[index] !== null).map((line) => line.label + " " + yWords(chart, line.y[index]));
    figure.output.textContent = xWords(chart, chart.x[index]) + ": " + (said.length ? said.join(", ") : pack.words.nothing);
  };
  const pointAll = (figure, index) => {
    const x = figure.chart.x[index];
    for (const other of groupOf(figure)) point(other, other === figure ? index : nearest(other.chart.x, x));
  };
  const leaveAll = (figure) => {
    for (const other of groupOf(figure)) {
      other.at = null;
      other.output.textContent = "";
      for (const d of other.drawings) d.cursor.setAttribute("d", "");
    }
  };
  const xAt = (figure, event) => {
    const d = visible(figure);
    const rect = d.svg.getBoundingClientRect();
    const inside = ((event.clientX - rect.left) / rect.width) * d.svg.viewBox.baseVal.width;
    const v = Math.min(1, Math.max(0, (inside - d.left) / d.width));
    const [u0, u1] = shown(figure.chart);
    return fromU(figure.chart, u0 + v * (u1 - u0));
  };
  const markDragged = (figure, x0, x1) => {
    const [u0, u1] = shown(figure.chart);
    const [a, b] = [x0, x1].map((x) => (toU(figure.chart, x) - u0) / (u1 - u0)).sort((p, q) => p - q);
    for (const d of figure.drawings) {
      d.select.setAttribute("x", d.left + a * d.width);
      d.select.setAttribute("width", (b - a) * d.width);
    }
  };
  const onPointer = (figure) => {
    let from = null; // where a drag began
    const { plot } = figure;
    plot.addEventListener("pointermove", (event) => {
      const x = xAt(figure, event);
      pointAll(figure, nearest(figure.chart.x, x));
      if (from && Math.abs(event.clientX - from.px) > DRAGGED_PX) markDragged(figure, from.x, x);
    });
    plot.addEventListener("pointerdown", (event) => {
      if (event.pointerType === "mouse" && event.button === 0 && !event.target.closest("a")) {
        from = { px: event.clientX, x: xAt(figure, event) };
        event.preventDefault();
        plot.focus({ preventScroll: true });
      }
    });
    addEventListener("pointerup", (event) => {
      if (!from) return;
      const { px, x } = from;
      from = null;
      markDragged(figure, x, x);
      const to = xAt(figure, event);
      if (Math.abs(event.clientX - px) > DRAGGED_PX) zoom(figure, Math.min(x, to), Math.max(x, to));
      else if (figure.chart.xAxis === "pitch") nearestCycle(x);
    });
    plot.addEventListener("pointerleave", () => document.activeElement !== plot && leaveAll(figure));
    plot.addEventListener("blur", () => leaveAll(figure));
    plot.addEventListener("dblclick", () => showAll(figure));
  };
  const onKey = (figure, event) => {
    const { chart } = figure;
    const [u0, u1] = shown(chart);
    const first = nearest(chart.x, fromU(chart, Math.max(u0, 0)));
    const last = nearest(chart.x, fromU(chart, Math.min(u1, 1)));
    const step = { ArrowLeft: -1, ArrowRight: 1, PageUp: 12, PageDown: -12 }[event.key];
    const stride = Math.max(1, Math.round((last - first) / 300));
    if (step) pointAll(figure, Math.min(last, Math.max(first, figure.at === null ? (first + last) >> 1 : figure.at + step * stride)));
    else if (event.key === "Home") pointAll(figure, first);
    else if (event.key === "End") pointAll(figure, last);
    else if (event.key === "+" || event.key === "-") {
      const middle = figure.at === null ? (u0 + u1) / 2 : toU(chart, chart.x[figure.at]);
      const factor = event.key === "+" ? 0.5 : 2;
      zoom(figure, fromU(chart, middle - (middle - u0) * factor), fromU(chart, middle + (u1 - middle) * factor));
    } else if (event.key === "Escape") showAll(figure);
    else return;
    event.preventDefault();
  };

  // The cycle at another pitch: its lines are in the page's data, as they would have been written.
  const chooseCycle = (index) => {
    const cycle = pack.cycles[index];
    if (!cycle) return;
    for (const [name, part] of Object.entries(cycle.charts)) {
      const figure = figures.get(name);
      if (!figure) continue;
      document.getElementById("lines-" + name).innerHTML = part.svg;
      figure.chart.lines = part.lines;
      figure.plot.setAttribute("aria-label", part.alt);
      figure.element.querySelector(".alt").textContent = part.alt;
      if (figure.at !== null) point(figure, figure.at);
    }
    document.getElementById("cycle-label").textContent = cycle.label;
    document.getElementById("cycle-pitch").value = index;
  };
  const nearestCycle = (hz) => {
    if (!document.getElementById("cycle-pitch")) return;
    const off = pack.cycles.map((cycle) => Math.abs(Math.log(cycle.f0_hz / hz)));
    chooseCycle(off.indexOf(Math.min(...off)));
  };

  // A finding leads to its interval in the chart that shows it.
  const jump = (link, event) => {
    const mark = document.querySelector(link.getAttribute("href"));
    if (!mark) return;
    event.preventDefault();
    history.replaceState(null, "", link.getAttribute("href"));
    for (const other of document.querySelectorAll(".segment.now")) other.classList.remove("now");
    mark.classList.add("now");
    const [start, end] = [+link.dataset.start, +link.dataset.end];
    const room = Math.max(0.15, 0.25 * (end - start));
    if (figures.has("pitch-time")) zoom(figures.get("pitch-time"), start - room, end + room);
    mark.closest("figure").scrollIntoView({ block: "center" });
    mark.focus({ preventScroll: true });
  };

  const begin = () => {
    for (const plot of document.querySelectorAll("[data-chart]")) {
      const chart = pack.charts[plot.dataset.chart];
      const element = plot.closest("figure");
      const figure = {
        chart, plot, element, at: null, drawings: [...plot.querySelectorAll("svg")].map(drawingOf),
        output: element.querySelector("output"), button: element.querySelector(".show-all"),
      };
      figures.set(plot.dataset.chart, figure);
      onPointer(figure);
      plot.addEventListener("keydown", (event) => onKey(figure, event));
      figure.button.addEventListener("click", () => showAll(figure));
    }
    for (const link of document.querySelectorAll("[data-jump]")) link.addEventListener("click", (event) => jump(link, event));
    const slider = document.getElementById("cycle-pitch");
    if (slider) slider.addEventListener("input", () => chooseCycle(+slider.value));
    document.documentElement.dataset.ready = "yes";
  };
  begin();
})();
