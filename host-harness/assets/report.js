(function () {
  "use strict";
  const root = document.documentElement;
  const data = JSON.parse(document.getElementById("report-data").textContent);
  if (!data) return;
  const MINUS = "\u2212";
  const RAISED = { "-": "⁻", 0: "⁰", 1: "¹", 2: "²", 3: "³", 4: "⁴", 5: "⁵", 6: "⁶", 7: "⁷", 8: "⁸", 9: "⁹" };
  const HEIGHT = 165;
  const plots = [];
  const whole = [0, data.duration_s || 1];
  let view = whole.slice();
  let common = false;
  let linking = false;
  let pointed = null;

  function paint(name) { return getComputedStyle(root).getPropertyValue("--" + name).trim(); }
  function ink(number) { return paint("ink" + (number % 5)); }

  // Numbers and times as the rest of the page sets them.
  function number(value) {
    if (value === null || value === undefined) return "–";
    if (value === 0) return "0";
    const size = Math.abs(value);
    if (size >= 1e-3 && size < 1e6) return String(Number(value.toPrecision(4))).replace("-", MINUS);
    const parts = value.toExponential(3).split("e");
    const power = String(Number(parts[1])).replace(/./g, function (letter) { return RAISED[letter]; });
    return String(Number(parts[0])).replace("-", MINUS) + " × 10" + power;
  }
  function two(value) { return (value < 10 ? "0" : "") + value; }
  function clock(seconds, fine) {
    const total = fine ? Math.round(seconds) : Math.round(seconds / 60) * 60;
    const h = Math.floor(total / 3600), m = Math.floor(total / 60) % 60, s = total % 60;
    return fine ? h + ":" + two(m) + ":" + two(s) : h + ":" + two(m);
  }
  function moment(seconds) {
    const text = seconds.toFixed(seconds < 1000 ? 2 : 1) + " s";
    return whole[1] >= 1200 ? text + " (" + clock(seconds, true) + ")" : text;
  }

  // Axes.
  const STEPS = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900,
    1800, 3600, 7200, 10800, 14400, 21600, 43200, 86400, 172800, 604800];
  const byClock = whole[1] >= 1200;
  function timeAxis() {
    return {
      stroke: function () { return paint("soft"); },
      grid: { stroke: function () { return paint("rule"); }, width: 1 },
      ticks: { stroke: function () { return paint("rule"); }, width: 1, size: 4 },
      font: "11px system-ui, sans-serif", labelFont: "11px system-ui, sans-serif",
      incrs: STEPS, space: 62, size: 30, labelSize: 16,
      label: byClock ? "time, h:min" : "time, s",
      values: function (u, marks, axis, space, step) {
        return marks.map(function (mark) { return byClock ? clock(mark, step < 60) : number(mark); });
      },
    };
  }
  function valueAxis(label, size) {
    return {
      stroke: function () { return paint("soft"); },
      grid: { stroke: function () { return paint("rule"); }, width: 1 },
      ticks: { stroke: function () { return paint("rule"); }, width: 1, size: 4 },
      font: "11px system-ui, sans-serif", labelFont: "11px system-ui, sans-serif",
      size: size || function (u, labels) {
        const longest = (labels || []).reduce(function (most, label) { return Math.max(most, label.length); }, 0);
        return Math.max(44, longest * 6.6 + 12);
      },
      labelSize: label ? 16 : 0, label: label, space: 26,
      values: function (u, marks) { return marks.map(number); },
    };
  }

  // Vertical window of a panel: its visible numbers and the limits it must reach, shared by its scale's panels.
  function ownReach(panel) {
    let low = panel.from_zero ? 0 : Infinity, high = panel.from_zero ? 0 : -Infinity;
    panel.lines.forEach(function (line) {
      for (let i = 0; i < panel.x.length; i++) {
        const value = line.y[i];
        if (value === null || panel.x[i] < view[0] || panel.x[i] > view[1]) continue;
        if (value < low) low = value;
        if (value > high) high = value;
      }
    });
    panel.limits.forEach(function (limit) {
      if (!limit.reach || limit.to < view[0] || limit.from > view[1]) return;
      low = Math.min(low, limit.level); high = Math.max(high, limit.level);
    });
    return [low, high];
  }
  // Flights that stray much further have scales of their own unless the reader asks for one for all.
  function narrow(scale) { return scale.replace(/-wide$/, ""); }
  function reach(panel) {
    const name = common ? narrow(panel.scale) : panel.scale;
    const peers = data.panels.filter(function (other) { return (common ? narrow(other.scale) : other.scale) === name; });
    let low = Infinity, high = -Infinity;
    peers.forEach(function (peer) {
      const own = ownReach(peer);
      low = Math.min(low, own[0]); high = Math.max(high, own[1]);
    });
    if (!(low < high)) { const about = Number.isFinite(low) ? low : 0; return [about - 1, about + 1]; }
    const margin = (high - low) * 0.08;
    // Words stand above the upper limit.
    const words = panel.limits.some(function (limit) { return limit.label && limit.reach; }) ? 2.5 : 1;
    return [low < 0 ? low - margin : low, high > 0 ? high + words * margin : high];
  }

  // Linked window and cursor.
  function show(from, to) {
    const least = Math.max(whole[1] * 1e-5, 0.05);
    const wide = Math.min(Math.max(to - from, least), whole[1] - whole[0]);
    const start = Math.min(Math.max(from, whole[0]), whole[1] - wide);
    view = [start, start + wide];
    linking = true;
    plots.forEach(function (plot) {
      plot.u.batch(function () {
        plot.u.setScale("x", { min: view[0], max: view[1] });
        if (plot.panel) { const r = reach(plot.panel); plot.u.setScale("y", { min: r[0], max: r[1] }); }
      });
    });
    linking = false;
    if (pointed !== null) point(pointed);
  }
  function nearest(xs, time) {
    let low = 0, high = xs.length - 1;
    while (high - low > 1) { const middle = (low + high) >> 1; if (xs[middle] < time) low = middle; else high = middle; }
    return time - xs[low] <= xs[high] - time ? low : high;
  }
  const planes = Array.from(document.querySelectorAll("svg.plane[data-map]")).map(function (svg) {
    const lane = svg.dataset.lane, axis = svg.dataset.axis;
    const find = function (kind) {
      const holder = document.querySelectorAll('[data-figure="' + kind + '"] .row')[axis];
      const chart = holder && holder.querySelector('.chart[data-lane="' + lane + '"]');
      return chart ? data.panels[chart.dataset.panel] : null;
    };
    return { dot: svg.querySelector(".follow"), map: svg.dataset.map.split(" ").map(Number), error: find("error"), rate: find("rate") };
  });
  function follow(time) {
    planes.forEach(function (plane) {
      if (!plane.error || !plane.rate) return;
      const error = plane.error.lines[0].y[nearest(plane.error.x, time)];
      const rate = plane.rate.lines[plane.rate.lines.length - 1].y[nearest(plane.rate.x, time)];
      const gone = time === null || error === null || rate === null;
      plane.dot.setAttribute("cx", gone ? -20 : plane.map[0] + plane.map[1] * error);
      plane.dot.setAttribute("cy", gone ? -20 : plane.map[2] + plane.map[3] * rate);
    });
  }
  const slider = document.getElementById("cursor-time");
  const sliderRead = document.getElementById("cursor-read");
  function point(time) {
    pointed = time;
    plots.forEach(function (plot) {
      const left = time < view[0] || time > view[1] ? -10 : plot.u.valToPos(time, "x");
      plot.u.setCursor({ left: left, top: plot.u.over.clientHeight / 2 }, false);
      plot.read(time, null);
    });
    follow(time);
    if (sliderRead) sliderRead.textContent = moment(time);
  }

  function baseOptions(width, height, onCursor) {
    return {
      width: width, height: height, padding: [8, 20, 0, 0], legend: { show: false },
      cursor: { y: false, drag: { x: true, y: false, setScale: false }, points: { size: 6 }, bind: { dblclick: function () { return function () { show(whole[0], whole[1]); }; } } },
      scales: { x: { time: false, range: function () { return view; } } },
      hooks: {
        setSelect: [function (u) {
          if (u.select.width < 4) return;
          const from = u.posToVal(u.select.left, "x"), to = u.posToVal(u.select.left + u.select.width, "x");
          u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
          show(from, to);
        }],
        setCursor: [function (u) {
          if (linking || u.cursor.left === undefined) return;
          onCursor(u);
        }],
      },
    };
  }

  // One picture follows the pointer and moves the cursor of all others.
  function lead(u) {
    if (u.cursor.left < 0 || u.cursor.event === undefined || u.cursor.event === null) return;
    const time = u.posToVal(u.cursor.left, "x");
    const row = u.posToVal(u.cursor.top, "y");
    pointed = time;
    linking = true;
    plots.forEach(function (plot) {
      if (plot.u !== u) plot.u.setCursor({ left: plot.u.valToPos(time, "x"), top: plot.u.over.clientHeight / 2 }, false);
      plot.read(time, plot.u === u ? row : null);
    });
    linking = false;
    follow(time);
    if (slider) slider.value = String(Math.round(time / whole[1] * 1000));
    if (sliderRead) sliderRead.textContent = moment(time);
  }

  const DASHES = [[], [6, 4], [2, 3]];
  function drawLimits(u, panel) {
    const ctx = u.ctx, ratio = devicePixelRatio || 1;
    ctx.save();
    ctx.beginPath(); ctx.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height); ctx.clip();
    ctx.strokeStyle = paint("limit"); ctx.fillStyle = paint("limit");
    ctx.lineWidth = 1.5 * ratio; ctx.setLineDash([6 * ratio, 4 * ratio]); ctx.textAlign = "left"; ctx.textBaseline = "alphabetic"; ctx.font = 10.5 * ratio + "px system-ui, sans-serif";
    panel.limits.forEach(function (limit) {
      const from = Math.max(limit.from, view[0]), to = Math.min(limit.to, view[1]);
      if (from >= to) return;
      const y = u.valToPos(limit.level, "y", true), x0 = u.valToPos(from, "x", true), x1 = u.valToPos(to, "x", true);
      ctx.beginPath(); ctx.moveTo(x0, y); ctx.lineTo(x1, y); ctx.stroke();
      if (!limit.label || y < u.bbox.top || y > u.bbox.top + u.bbox.height) return;
      const wide = ctx.measureText(limit.label).width;
      if (wide + 8 * ratio > x1 - x0) return;
      const at = y - 4 * ratio < u.bbox.top + 11 * ratio ? y + 12 * ratio : y - 4 * ratio;
      const x = limit.at_start ? x0 + 5 * ratio : x1 - wide - 5 * ratio;
      ctx.save(); ctx.globalAlpha = 0.85; ctx.fillStyle = paint("sheet");
      ctx.fillRect(x - 3 * ratio, at - 9.5 * ratio, wide + 6 * ratio, 12 * ratio); ctx.restore();
      ctx.fillText(limit.label, x, at);
    });
    ctx.restore();
  }

  // Uprights at moments; their words stand on the side that has room.
  function drawMarks(u, panel) {
    const ctx = u.ctx, ratio = devicePixelRatio || 1, box = u.bbox;
    ctx.save();
    ctx.strokeStyle = paint("soft"); ctx.fillStyle = paint("soft");
    ctx.lineWidth = ratio; ctx.textBaseline = "top"; ctx.font = 10.5 * ratio + "px system-ui, sans-serif";
    panel.marks.forEach(function (mark) {
      if (mark.at < view[0] || mark.at > view[1]) return;
      const x = u.valToPos(mark.at, "x", true);
      ctx.beginPath(); ctx.moveTo(x, box.top); ctx.lineTo(x, box.top + box.height); ctx.stroke();
      const fits = x + ctx.measureText(mark.label).width + 10 * ratio < box.left + box.width;
      ctx.textAlign = fits ? "left" : "right";
      ctx.fillText(mark.label, x + (fits ? 5 : -5) * ratio, box.top + 6 * ratio);
    });
    ctx.restore();
  }

  // A line through every kept sample; a gap lifts the pen however narrow it is.
  function polyline(u, series, first, last) {
    const xs = u.data[0], ys = u.data[series], stroke = new Path2D();
    let drawing = false;
    // One sample beyond either side, so that lines reach the edges of a narrow window.
    for (let i = Math.max(first - 1, 0); i <= Math.min(last + 1, xs.length - 1); i++) {
      if (ys[i] === null) { drawing = false; continue; }
      const x = u.valToPos(xs[i], "x", true), y = u.valToPos(ys[i], "y", true);
      if (drawing) stroke.lineTo(x, y); else stroke.moveTo(x, y);
      drawing = true;
    }
    return { stroke: stroke, fill: null, clip: null, band: null, gaps: null, flags: 1 };
  }

  function keyLine(panel) {
    if (panel.lines.length < 2) return null;
    const line = document.createElement("div");
    line.className = "key-line";
    panel.lines.forEach(function (one) {
      const item = document.createElement("span");
      const ns = "http://www.w3.org/2000/svg";
      const svg = document.createElementNS(ns, "svg"), path = document.createElementNS(ns, "path");
      svg.setAttribute("viewBox", "0 0 26 8"); svg.setAttribute("aria-hidden", "true");
      path.setAttribute("d", "M0 4H26"); path.setAttribute("stroke", "var(--ink" + (one.ink % 5) + ")");
      path.setAttribute("stroke-width", "2"); path.setAttribute("stroke-dasharray", DASHES[one.dash].join(" "));
      svg.appendChild(path); item.appendChild(svg); item.appendChild(document.createTextNode(one.label));
      line.appendChild(item);
    });
    return line;
  }

  function addPanel(holder) {
    const panel = data.panels[holder.dataset.panel];
    const canvas = holder.querySelector(".canvas"), out = holder.querySelector(".read");
    const options = baseOptions(canvas.clientWidth, HEIGHT, lead);
    options.scales.y = { range: function () { return reach(panel); } };
    options.axes = [timeAxis(), valueAxis(panel.axis + ", " + panel.unit)];
    options.series = [{}].concat(panel.lines.map(function (line) {
      return {
        stroke: function () { return ink(line.ink); }, width: line.dash ? 1.2 : 1.4, dash: DASHES[line.dash],
        paths: polyline, points: { show: false },
      };
    }));
    options.hooks.draw = [function (u) { drawLimits(u, panel); drawMarks(u, panel); }];
    const key = keyLine(panel);
    if (key) holder.appendChild(key);
    const u = new uPlot(options, [panel.x].concat(panel.lines.map(function (line) { return line.y; })), canvas);
    plots.push({
      u: u, panel: panel, holder: canvas, height: function () { return HEIGHT; },
      read: function (time) {
        const place = nearest(panel.x, time);
        const said = panel.lines.map(function (line) {
          return panel.lines.length > 1 ? line.label + " " + number(line.y[place]) : number(line.y[place]);
        });
        const at = panel.x.length ? panel.x[place].toFixed(2) + " s: " : "";
        out.textContent = at + said.join(", ") + (panel.unit === "°" ? "°" : " " + panel.unit);
      },
    });
  }

  function spanUnder(row, time, slack) {
    let best = null, gap = slack;
    row.spans.forEach(function (span) {
      const off = time < span[0] ? span[0] - time : time > span[1] ? time - span[1] : 0;
      if (off <= gap) { gap = off; best = span; }
    });
    return best;
  }

  function drawSpans(u, strip) {
    const ctx = u.ctx, ratio = devicePixelRatio || 1;
    ctx.save();
    ctx.beginPath(); ctx.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height); ctx.clip();
    ctx.fillStyle = ink(strip.ink);
    const tall = Math.max(2, u.bbox.height / strip.rows.length * 0.62);
    strip.rows.forEach(function (row, place) {
      const y = u.valToPos(place, "y", true) - tall / 2;
      row.spans.forEach(function (span) {
        if (span[1] < view[0] || span[0] > view[1]) return;
        const x0 = u.valToPos(span[0], "x", true), x1 = u.valToPos(span[1], "x", true);
        ctx.fillRect(x0, y, Math.max(x1 - x0, 1.2 * ratio), tall);
      });
    });
    ctx.restore();
  }

  function addStrip(holder) {
    const strip = data.strips[holder.dataset.strip];
    const canvas = holder.querySelector(".canvas"), out = holder.querySelector(".read");
    const rows = Math.max(strip.rows.length, 1);
    const height = function () { return rows * 17 + 62; };
    const longest = strip.rows.reduce(function (most, row) { return Math.max(most, row.label.length); }, 0);
    const options = baseOptions(canvas.clientWidth, height(), lead);
    options.scales.y = { range: function () { return [-0.5, rows - 0.5]; }, dir: -1 };
    const names = valueAxis("", Math.min(longest * 6 + 18, 150));
    names.splits = function () { return strip.rows.map(function (row, place) { return place; }); };
    names.values = function () { return strip.rows.map(function (row) { return row.label; }); };
    names.space = 1;
    options.axes = [timeAxis(), names];
    options.series = [{}, { stroke: "transparent", points: { show: false } }];
    options.cursor.points = { show: false };
    options.hooks.draw = [function (u) { drawSpans(u, strip); }];
    const u = new uPlot(options, [[whole[0], whole[1]], [null, null]], canvas);
    plots.push({
      u: u, strip: strip, holder: canvas, height: height,
      read: function (time, row) {
        const slack = (view[1] - view[0]) / 300;
        const places = row === null ? strip.rows.map(function (one, place) { return place; }) : [Math.round(row)];
        const said = [];
        places.forEach(function (place) {
          const one = strip.rows[place];
          const span = one && spanUnder(one, time, slack);
          if (!span) return;
          const count = span[2] === 1 ? "" : span[2] + " " + strip.counts + "s, ";
          said.push(one.label + ": " + count + number(span[3]) + " s");
        });
        const more = said.length > 2 ? " and " + (said.length - 2) + " more" : "";
        out.textContent = said.slice(0, 2).join("; ") + more;
      },
    });
  }

  document.querySelectorAll(".chart[data-panel]").forEach(addPanel);
  document.querySelectorAll(".chart[data-strip]").forEach(addStrip);

  function fit() {
    plots.forEach(function (plot) {
      const width = plot.holder.clientWidth;
      if (width > 0 && Math.abs(width - plot.u.width) > 1) plot.u.setSize({ width: width, height: plot.height() });
    });
  }
  function repaint() { plots.forEach(function (plot) { plot.u.redraw(false, true); }); }
  window.addEventListener("resize", fit);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", repaint);
  // Paper is white: light colours, and charts no wider than an A4 page.
  window.addEventListener("beforeprint", function () {
    root.dataset.print = "1";
    fit(); repaint();
  });
  window.addEventListener("afterprint", function () {
    delete root.dataset.print;
    fit(); repaint();
  });

  const moves = {
    earlier: function (wide) { show(view[0] - wide / 2, view[1] - wide / 2); },
    later: function (wide) { show(view[0] + wide / 2, view[1] + wide / 2); },
    closer: function (wide) { show(view[0] + wide / 4, view[1] - wide / 4); },
    wider: function (wide) { show(view[0] - wide / 2, view[1] + wide / 2); },
    whole: function () { show(whole[0], whole[1]); },
  };
  document.querySelectorAll("[data-do]").forEach(function (button) {
    button.addEventListener("click", function () { moves[button.dataset.do](view[1] - view[0]); });
  });
  if (slider) slider.addEventListener("input", function () { point(slider.value / 1000 * whole[1]); });
  const scales = document.getElementById("common-scale");
  if (scales) scales.addEventListener("change", function () { common = scales.checked; show(view[0], view[1]); });
})();
