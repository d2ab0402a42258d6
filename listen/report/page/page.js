"use strict";
(() => {
  const pack = JSON.parse(document.getElementById("data").textContent);
  const charts = new Map();
  const LETTERS = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];
  const ROWS = 6; // of bars over a chart
  const DASHES = { solid: [], dashed: [7, 4], dotted: [2, 3] };
  const PRINTED = { ink: "#000000", faint: "#444444", grid: "#dddddd", first: "#143a6b", second: "#b5500f", limit: "#555555", mark: "#eeeeee", paper: "#ffffff" };

  const palette = () => {
    const style = getComputedStyle(document.documentElement);
    return Object.fromEntries(Object.keys(PRINTED).map((key) => [key, style.getPropertyValue("--" + key).trim()]));
  };
  const note = (hz) => {
    const n = Math.round(12 * Math.log2(hz / 440)) + 69;
    return LETTERS[((n % 12) + 12) % 12] + (Math.floor(n / 12) - 1);
  };
  const hertz = (hz) => (hz >= 999.5 ? (hz / 1000).toPrecision(3) + " kHz" : hz.toPrecision(3) + " Hz");
  const shortHertz = (hz) => (hz >= 1000 ? +(hz / 1000).toPrecision(3) + " k" : String(+hz.toPrecision(3)));
  const xWords = (spec, x) => {
    if (spec.xAxis === "time") return x.toFixed(2) + " s";
    if (spec.xAxis === "pitch") return hertz(x) + " (" + note(x) + ")";
    if (spec.xAxis === "volts") return +x.toPrecision(6) + (spec.xUnit ? " " + spec.xUnit : "");
    return spec.xAxis === "degrees" ? x.toFixed(0) + "\u00b0" : x.toFixed(3);
  };
  const yWords = (spec, y) => {
    if (y === null || y === undefined) return pack.words.nothing;
    if (spec.yAxis === "pitch-y") return hertz(y) + " (" + note(y) + ")";
    const text = spec.yAxis === "log-percent" ? String(+y.toPrecision(3)) : y.toFixed(spec.decimals);
    return spec.unit ? text + " " + spec.unit : text;
  };

  // Ticks of a logarithmic scale: the densest of three sets that has room.
  const logTicks = (low, high, room) => {
    const sets = [[1], [1, 3], [1, 2, 5], [1, 1.5, 2, 3, 4, 5, 7], [1, 1.2, 1.4, 1.6, 1.8, 2, 2.5, 3, 3.5, 4, 4.5, 5, 6, 7, 8, 9]];
    let best = [];
    for (const set of sets) {
      const ticks = [];
      for (let e = Math.floor(Math.log10(low)); e <= Math.ceil(Math.log10(high)); e++)
        for (const m of set) {
          const tick = +(m * 10 ** e).toPrecision(4);
          if (tick >= low && tick <= high) ticks.push(tick);
        }
      if (!best.length || ticks.length <= room) best = ticks;
    }
    return best;
  };

  const isLog = (axis) => axis === "pitch" || axis === "pitch-y" || axis === "log-percent";
  const labelWidth = (spec, k) => {
    const ctx = document.createElement("canvas").getContext("2d");
    ctx.font = font(k);
    return Math.max(0, ...spec.lines.filter((l) => !l.dots).map((l) => ctx.measureText(l.label).width));
  };
  const font = (k) => Math.round(12 * k) + "px system-ui, sans-serif";

  // A finding's stretch: a bar over the chart, its number a link to what is said of it.
  const drawMarks = (u, spec, colours, k) => {
    const { ctx, bbox } = u;
    const px = k * uPlot.pxRatio;
    const holder = u.root.parentElement;
    ctx.save();
    ctx.strokeStyle = colours.ink;
    spec.marks.forEach((mark, row) => {
      const a = Math.max(u.valToPos(mark.start, "x", true), bbox.left);
      const b = Math.min(u.valToPos(mark.end, "x", true), bbox.left + bbox.width);
      let link = holder && holder.querySelector('.mark[data-number="' + mark.number + '"]');
      if (!(b >= a)) {
        if (link) link.hidden = true;
        return;
      }
      const y = bbox.top - px * (7 + 12 * (row % ROWS));
      ctx.lineWidth = (mark.severity === "fault" ? 3 : mark.severity === "attention" ? 2 : 1) * px;
      ctx.setLineDash(mark.severity === "fault" ? [] : [5 * px, 3 * px]);
      ctx.beginPath();
      ctx.moveTo(a, y);
      ctx.lineTo(Math.max(b, a + 3 * px), y);
      ctx.stroke();
      if (!holder) return;
      if (!link) {
        link = document.createElement("a");
        link.className = "mark";
        link.dataset.number = mark.number;
        link.href = "#finding-" + mark.number;
        link.tabIndex = -1;
        link.textContent = mark.number;
        holder.append(link);
      }
      link.hidden = false;
      link.style.left = Math.max(0, a / uPlot.pxRatio - 14) + "px";
      link.style.top = y / uPlot.pxRatio - 7 + "px";
    });
    ctx.restore();
  };

  // Labels at the ends of the lines; those that would touch move apart.
  const drawLabels = (u, spec, colours, k) => {
    const { ctx, bbox } = u;
    const px = k * uPlot.pxRatio;
    const found = [];
    spec.lines.forEach((line, i) => {
      if (line.dots) return;
      const ys = u.data[i + 1];
      let last = ys.length - 1;
      const top = u.scales.x.max;
      while (last >= 0 && (ys[last] === null || ys[last] === undefined || u.data[0][last] > top)) last--;
      if (last >= 0) found.push({ y: u.valToPos(ys[last], "y", true), line });
    });
    spec.limits.forEach((limit, i) => {
      const ys = u.data[1 + spec.lines.length + i];
      let last = ys.length - 1;
      while (last >= 0 && (ys[last] === null || u.data[0][last] > u.scales.x.max)) last--;
      const y = last < 0 ? NaN : u.valToPos(ys[last], "y", true);
      if (y >= bbox.top && y <= bbox.top + bbox.height) found.push({ y, limit });
    });
    const height = 14 * px;
    for (const item of found) item.at = Math.min(Math.max(item.y, bbox.top + 6 * px), bbox.top + bbox.height - 4 * px);
    const lines = found.filter((f) => f.line).sort((a, b) => a.at - b.at);
    for (let i = 1; i < lines.length; i++) lines[i].at = Math.max(lines[i].at, lines[i - 1].at + height);
    for (let i = lines.length - 2, low = bbox.top + bbox.height; i >= -1; i--) {
      lines[i + 1].at = Math.min(lines[i + 1].at, low);
      low = lines[i + 1].at - height;
    }
    ctx.save();
    ctx.font = font(px);
    ctx.textBaseline = "middle";
    for (const item of lines) {
      ctx.fillStyle = colours[item.line.ink] || colours.ink;
      ctx.textAlign = "left";
      ctx.fillText(item.line.label, bbox.left + bbox.width + 7 * px, item.at);
    }
    ctx.fillStyle = colours.limit;
    const used = [];
    for (const item of found.filter((f) => f.limit && f.limit.label)) {
      const y = u.valToPos(spec.limitFirst(u, item.limit), "y", true) - 7 * px;
      const beside = used.filter((other) => Math.abs(other - y) < 12 * px).length;
      ctx.textAlign = "left";
      ctx.fillText(item.limit.label, bbox.left + (6 + 120 * beside) * px, y);
      used.push(y);
    }
    ctx.restore();
  };

  const build = (spec, holder, width, height, k, colours, live) => {
    spec.limitFirst = (u, limit) => {
      const ys = u.data[1 + spec.lines.length + spec.limits.indexOf(limit)];
      const i = Math.max(0, u.valToIdx(u.scales.x.min));
      return ys.slice(i).find((y) => y !== null);
    };
    const room = { x: Math.max(3, Math.floor(width / k / 75)), y: Math.max(3, Math.floor(height / k / 36)) };
    const axis = (which, label, log) => ({
      stroke: colours.faint, font: font(k), labelFont: font(k), label, labelSize: 18 * k, size: (which === "x" ? 30 : 54) * k, gap: 4 * k,
      grid: { stroke: colours.grid, width: k }, ticks: { stroke: colours.rule || colours.grid, width: k, size: 4 * k },
      space: (which === "x" ? 60 : 32) * k,
      ...(spec[which + "Axis"] === "degrees" ? { splits: () => [0, 90, 180, 270, 360] } : {}),
      ...(log ? { splits: (u, _i, low, high) => logTicks(low, high, room[which]), filter: (_u, s) => s } : {}),
      values: (_u, splits) => splits.map((v) => (spec[which + "Axis"].startsWith("pitch") ? shortHertz(v) : String(+v.toPrecision(6)))),
    });
    const group = { time: "time", pitch: "pitch", volts: "volts", degrees: "degrees" }[spec.xAxis];
    const points = (line) => ({ show: line.dots, size: 5 * k, fill: colours[line.ink], stroke: colours[line.ink] });
    const opts = {
      width, height, legend: { show: false },
      padding: [(spec.marks.length ? 12 * Math.min(ROWS, spec.marks.length) + 6 : 10) * k, Math.min(labelWidth(spec, k) + 12 * k, 0.34 * width), 0, 0],
      scales: {
        x: { time: false, distr: isLog(spec.xAxis) ? 3 : 1, range: (_u, low, high) => [low, high] },
        y: { distr: isLog(spec.yAxis) ? 3 : 1, ...(spec.range ? { range: () => spec.range } : {}) },
      },
      axes: [axis("x", spec.xLabel, isLog(spec.xAxis)), axis("y", spec.yLabel, isLog(spec.yAxis))],
      series: [
        {},
        ...spec.lines.map((line) => ({
          label: line.label, spanGaps: spec.xAxis === "volts", stroke: colours[line.ink] || colours.faint, width: (line.dots ? 0 : 2) * k, dash: DASHES[line.dash].map((d) => d * k),
          points: points(line), ...(line.dots ? { paths: () => null } : {}),
        })),
        ...spec.limits.map((limit) => ({ label: limit.label, stroke: colours.limit, width: 1.5 * k, dash: [2 * k, 2 * k, 9 * k, 2 * k], points: { show: false } })),
      ],
      cursor: live
        ? { y: false, points: { size: 8 }, drag: { x: true, y: false, dist: 6 }, ...(group ? { sync: { key: group, scales: ["x", null] } } : {}) }
        : { show: false },
      hooks: {
        draw: [(u) => drawMarks(u, spec, colours, k), (u) => drawLabels(u, spec, colours, k)],
        setCursor: live ? [(u) => read(u, spec)] : [],
      },
    };
    return new uPlot(opts, [spec.x, ...spec.lines.map((l) => l.y), ...spec.limits.map((l) => l.y)], holder);
  };

  const read = (u, spec) => {
    const out = document.querySelector('[data-reading="' + spec.name + '"]');
    const i = u.cursor.idx;
    if (i === null || i === undefined) return void (out.textContent = "");
    const said = spec.lines
      .map((line, n) => [line.label, u.data[n + 1][i]])
      .filter(([label], n, all) => all.findIndex(([other]) => other === label) === n)
      .filter(([, y]) => y !== null && y !== undefined)
      .map(([label, y]) => label + " " + yWords(spec, y));
    out.textContent = xWords(spec, u.data[0][i]) + ": " + (said.length ? said.join(", ") : pack.words.nothing);
  };

  const heightOf = (spec, width) => {
    if (spec.name === "transfer") return Math.min(width * 0.62, 460);
    return (spec.name === "residue" ? 190 : width < 480 ? 220 : 260) + 12 * Math.max(0, Math.min(ROWS, spec.marks.length) - 2);
  };
  const draw = (holder) => {
    const spec = pack.charts[holder.dataset.chart];
    const width = Math.floor(holder.clientWidth);
    const old = charts.get(spec.name);
    if (old) old.destroy();
    charts.set(spec.name, build(spec, holder, width, Math.round(heightOf(spec, width)), 1, palette(), true));
  };

  const groupOf = (name) => [...charts].filter(([other]) => pack.charts[other].xAxis === pack.charts[name].xAxis).map(([, u]) => u);
  const zoom = (name, low, high) => {
    for (const u of groupOf(name)) {
      const xs = u.data[0];
      u.setScale("x", { min: Math.max(low, xs[0]), max: Math.min(high, xs[xs.length - 1]) });
    }
  };
  const showAll = (name) => zoom(name, -Infinity, Infinity);

  const onKey = (event, name) => {
    const u = charts.get(name);
    const xs = u.data[0];
    let { min, max } = u.scales.x;
    const step = { ArrowLeft: -1, ArrowRight: 1, PageUp: 12, PageDown: -12 }[event.key];
    if (step) {
      const first = u.cursor.idx === null || u.cursor.idx === undefined ? u.valToIdx((min + max) / 2) : u.cursor.idx + step * Math.max(1, Math.round(xs.length / 300));
      const i = Math.min(Math.max(first, u.valToIdx(min)), u.valToIdx(max));
      u.setCursor({ left: u.valToPos(xs[i], "x"), top: u.over.clientHeight / 2 });
    } else if (event.key === "+" || event.key === "-") {
      const middle = u.cursor.idx === null || u.cursor.idx === undefined ? (min + max) / 2 : xs[u.cursor.idx];
      const factor = event.key === "+" ? 0.5 : 2;
      if (isLog(pack.charts[name].xAxis)) zoom(name, middle * (min / middle) ** factor, middle * (max / middle) ** factor);
      else zoom(name, middle - (middle - min) * factor, middle + (max - middle) * factor);
    } else if (event.key === "Escape") showAll(name);
    else return;
    event.preventDefault();
  };

  const chooseCycle = (index) => {
    const cycle = pack.cycles[index];
    if (!cycle || !charts.has("cycle")) return;
    const n = cycle.y.length;
    const closed = [...cycle.y, cycle.y[0]];
    const sine = closed.map((_, i) => Math.sin((2 * Math.PI * i) / n));
    const set = (name, columns) => {
      const u = charts.get(name);
      const spec = pack.charts[name];
      columns.forEach((y, i) => (spec.lines[i].y = y));
      u.setData([spec.x, ...spec.lines.map((l) => l.y)]);
    };
    set("cycle", [closed, sine]);
    set("residue", [closed.map((y, i) => y - sine[i])]);
    const q = n / 4;
    const at = (i) => cycle.y[((i % n) + n) % n];
    const rising = [];
    const falling = [];
    for (let i = 0; i <= 2 * q; i++) {
      rising.push(at(i - q));
      falling.push(at(3 * q - i));
    }
    set("transfer", [rising, falling, pack.charts.transfer.x]);
    const slider = document.getElementById("cycle-pitch");
    if (slider) {
      document.getElementById("cycle-label").textContent = cycle.label;
      slider.value = index;
    }
    for (const name of ["cycle", "residue", "transfer"]) {
      const spec = pack.charts[name];
      const values = spec.lines[0].y;
      const words = spec.yLabel + ", " + cycle.label + ": " + yWords(spec, Math.min(...values)) + " \u2026 " + yWords(spec, Math.max(...values));
      document.querySelector('[data-chart="' + name + '"]').setAttribute("aria-label", words);
      document.querySelector("#chart-" + name + " .alt").textContent = words;
    }
  };

  const addStretches = () => {
    for (const link of document.querySelectorAll("[data-jump]")) {
      const figure = document.getElementById("chart-" + link.dataset.in);
      if (!figure) continue;
      const number = link.dataset.jump;
      const mark = document.createElement("a");
      mark.id = "stretch-" + number;
      mark.className = "stretch";
      mark.href = "#finding-" + number;
      const where = document.querySelector("#finding-" + number + " .where").firstChild.textContent.trim().replace(/\.$/, "");
      mark.textContent = number + ": " + where;
      figure.append(mark);
      link.addEventListener("click", (event) => {
        event.preventDefault();
        history.replaceState(null, "", link.getAttribute("href"));
        for (const other of document.querySelectorAll(".stretch.now")) other.classList.remove("now");
        mark.classList.add("now");
        const start = +link.dataset.start;
        const end = +link.dataset.end;
        const room = Math.max(0.15, 0.25 * (end - start));
        if (charts.has("pitch-time")) zoom("pitch-time", start - room, end + room);
        figure.scrollIntoView({ block: "center" });
        mark.focus({ preventScroll: true });
      });
    }
  };

  const begin = () => {
    const holders = [...document.querySelectorAll("[data-chart]")];
    for (const holder of holders) {
      const name = holder.dataset.chart;
      draw(holder);
      holder.addEventListener("keydown", (event) => onKey(event, name));
      holder.addEventListener("dblclick", () => showAll(name));
      holder.addEventListener("click", () => {
        const u = charts.get(name);
        if (pack.charts[name].xAxis !== "pitch" || u.cursor.idx === null || !pack.cycles.length) return;
        const hz = u.data[0][u.cursor.idx];
        const off = pack.cycles.map((cycle) => Math.abs(Math.log(cycle.f0 / hz)));
        chooseCycle(off.indexOf(Math.min(...off)));
      });
    }
    addStretches();
    const slider = document.getElementById("cycle-pitch");
    if (slider) slider.addEventListener("input", () => chooseCycle(+slider.value));
    for (const holder of document.querySelectorAll("[data-print]")) {
      const spec = pack.charts[holder.dataset.print];
      // Twice the size, shown at half: sharp on paper.
      if (spec) build({ ...spec, marks: [] }, holder, 640, 340, 2, PRINTED, false);
    }
    let wide = innerWidth;
    let waiting = 0;
    const again = () => holders.forEach(draw);
    addEventListener("resize", () => {
      if (innerWidth === wide) return;
      wide = innerWidth;
      clearTimeout(waiting);
      waiting = setTimeout(again, 150);
    });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
    document.documentElement.dataset.ready = "yes";
  };
  // The words first: the charts follow once they are on the screen.
  requestAnimationFrame(() => setTimeout(begin, 0));
})();
