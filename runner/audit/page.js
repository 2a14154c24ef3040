// Draws the panels of runner/audit/plots.py over one axis of time, and moves that axis.
//
// Every clock is in the page. For each column of pixels the least and the greatest value in it are drawn, so that
// no extreme is ever thinned away; where there is room, every clock is drawn by itself. It is plain SVG that takes
// its colours from the style sheet: it follows light, dark and paper, and asks nothing of a network.
"use strict";
(() => {
const data = JSON.parse(document.getElementById("plot-data").textContent);
let LEFT = 104;
const RIGHT = 14, ROW = 22, LANE = 70;
const whole = [data.from, data.to];
let view = whole.slice(), width = 800, here = null, chosen = null;
const plots = document.getElementById("plots");
const readout = document.getElementById("readout");
const esc = s => String(s).replace(/[&<>"]/g, c => ({"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;"}[c]));
const px = t => LEFT + (t - view[0]) / (view[1] - view[0]) * (width - LEFT - RIGHT);
const timeAt = x => view[0] + (x - LEFT) / (width - LEFT - RIGHT) * (view[1] - view[0]);
const r1 = v => Math.round(v * 10) / 10;
const num = v => Math.abs(v) >= 100 ? v.toFixed(0) : Math.abs(v) >= 10 ? v.toFixed(1) : Number(v.toPrecision(2)) + "";

// --- columns of numbers -----------------------------------------------------------------------------
function unpack(packed) {
  const raw = atob(packed.b64), n = raw.length / 2, out = new Float64Array(n);
  for (let i = 0; i < n; i++) {
    const v = raw.charCodeAt(2 * i) | raw.charCodeAt(2 * i + 1) << 8;
    out[i] = v > 32767 ? v - 65536 : v;
  }
  for (const [i, v] of Object.entries(packed.large)) out[+i] = v;
  return out;
}
for (const panel of data.panels) for (const lane of panel.lanes || []) {
  const steps = unpack(lane.t), y = unpack(lane.y), unit = lane.y.unit_ns / 1e6;
  let place = 0;
  for (let i = 0; i < steps.length; i++) {
    place += steps[i];
    steps[i] = lane.origin + place * 1e-4;
    y[i] *= unit;
  }
  lane.x = steps; lane.v = y;
}
function firstFrom(xs, t) {
  let low = 0, high = xs.length;
  while (low < high) { const mid = (low + high) >> 1; if (xs[mid] < t) low = mid + 1; else high = mid; }
  return low;
}
function columns(xs, ys, from, to) {           // least and greatest value of each column of pixels
  const out = [];
  let column = null, low = 0, high = 0;
  for (let i = from; i < to; i++) {
    const c = Math.round(px(xs[i])), v = ys[i];
    if (c !== column) { if (column !== null) out.push([column, low, high]); column = c; low = high = v; }
    else if (v < low) low = v; else if (v > high) high = v;
  }
  if (column !== null) out.push([column, low, high]);
  return out;
}

// --- the axis -----------------------------------------------------------------------------------------
function bars(height) {                        // lines at bars, thinned so that their numbers fit
  const out = [], first = firstFrom(data.bars.map(b => b[0]), view[0]);
  const seen = data.bars.slice(first).filter(b => b[0] <= view[1]);
  const most = Math.max(2, Math.floor((width - LEFT) / 44));
  let step = 1;
  for (const s of [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 2048]) { step = s; if (seen.length / s <= most) break; }
  for (const [t, bar] of seen) {
    if (((bar - 1) % step + step) % step) continue;
    const x = r1(px(t));
    out.push(`<line class="grid" x1="${x}" x2="${x}" y1="0" y2="${height}"/>`,
      `<text class="faint" x="${x + 3}" y="${height + 12}">${bar}</text>`);
  }
  out.push(`<text class="faint" x="${LEFT - 6}" y="${height + 12}" text-anchor="end">bar</text>`);
  return out.join("");
}
function barOf(t) {
  let i = firstFrom(data.bars.map(b => b[0]), t + 1e-6) - 1;
  if (i < 0) return null;
  return data.bars[i][1];
}
const label = (text, y) => `<text x="${LEFT - 6}" y="${y}" text-anchor="end">${esc(short(text))}</text>`;
const short = (s, n = LEFT < 100 ? 11 : 16) => s.length > n ? s.slice(0, n >> 1) + "…" + s.slice(1 - (n >> 1)) : s;
function overlay(height) {
  let out = "";
  if (chosen) {
    const a = px(Math.min(...chosen)), b = px(Math.max(...chosen));
    out += `<rect class="pick" x="${r1(a)}" width="${r1(Math.max(1, b - a))}" y="0" height="${height}"/>`;
  }
  if (here !== null && here >= view[0] && here <= view[1])
    out += `<line class="here" x1="${r1(px(here))}" x2="${r1(px(here))}" y1="0" y2="${height}"/>`;
  return out;
}
const clip = (id, height) => `<clipPath id="c-${id}"><rect x="${LEFT}" y="0" width="${width - LEFT - RIGHT}" height="${height}"/>` +
  "</clipPath>";

// --- panels: each returns [height, svg] -----------------------------------------------------------------
const draw = {
  spans(panel) {
    let out = "", y = 0;
    const names = panel.rows.some(row => row.name);
    for (const row of panel.rows) {
      if (row.name) out += label(row.name, y + 15);
      for (const [a, b, text] of row.spans) {
        if (b < view[0] || a > view[1]) continue;
        const x0 = Math.max(LEFT, px(a)), x1 = Math.min(width - RIGHT, px(b));
        out += `<rect class="span" x="${r1(x0)}" width="${r1(Math.max(1, x1 - x0))}" y="${y + 3}" height="${ROW - 6}">` +
          `<title>${esc(text)}</title></rect>`;
        if (!names && x1 - x0 > 7 * text.length + 6) out += `<text x="${r1(x0 + 4)}" y="${y + 15}">${esc(text)}</text>`;
      }
      let lastX = -99;
      for (const [t, sign, text, level] of row.marks) {
        const x = px(t);
        if (t < view[0] || t > view[1] || x - lastX < 2) continue;
        lastX = x;
        out += `<text class="m-${esc(level)}" data-go="${t}" x="${r1(x)}" y="${y + 16}" text-anchor="middle" ` +
          `style="font-size:14px">${esc(sign)}<title>${esc(text)}</title></text>`;
      }
      y += ROW;
    }
    return [y, out];
  },
  lines(panel) {
    const height = panel.height || 120;
    let low = Infinity, high = -Infinity;
    const cut = panel.series.map(s => {
      const xs = s.points.map(p => p[0]);
      const from = Math.max(0, firstFrom(xs, view[0]) - 1), to = Math.min(xs.length, firstFrom(xs, view[1]) + 1);
      for (let i = from; i < to; i++) {
        if (xs[i] >= view[0] && xs[i] <= view[1] || to - from < 3) {
          low = Math.min(low, s.points[i][1]); high = Math.max(high, s.points[i][1]);
        }
      }
      return [s, xs, from, to];
    });
    for (const v of panel.keep || []) { low = Math.min(low, v); high = Math.max(high, v); }
    if (low > high) { low = 0; high = 1; }
    const room = Math.max((high - low) * .12, panel.least || .05);
    low -= room; high += room;
    const py = v => 4 + (high - v) / (high - low) * (height - 8);
    let out = "";
    for (const v of ticksOf(low, high)) out += `<line class="grid" x1="${LEFT}" x2="${width - RIGHT}" y1="${r1(py(v))}" ` +
      `y2="${r1(py(v))}"/>` + label(num(v) === String(v) ? num(v) : String(+v.toFixed(6)), py(v) + 4);
    const limits = (panel.limits || []).filter(v => v > low && v < high), named = [];
    for (const v of limits) {
      const y = py(v), both = v > 0 && limits.includes(-v) && py(-v) - y < 12;     // names may not hide each other
      out += `<line class="limit" x1="${LEFT}" x2="${width - RIGHT}" y1="${r1(y)}" y2="${r1(y)}"/>`;
      if (named.some(other => Math.abs(other - y) < 12)) continue;
      named.push(y);
      out += `<text x="${width - RIGHT - 4}" y="${r1(y - 4)}" text-anchor="end">limit ${both ? "±" : ""}${num(v)}</text>`;
    }
    out += '<g clip-path="url(#c-' + panel.id + ')">';
    cut.forEach(([s, xs, from, to]) => {
      const ys = s.points.map(p => p[1]);
      let d = "";
      if (to - from > 3 * width) for (const [x, a, b] of columns(xs, ys, from, to))
        d += `${d ? "L" : "M"}${x} ${r1(py(a))}L${x} ${r1(py(b))}`;
      else for (let i = from; i < to; i++) d += `${d ? "L" : "M"}${r1(px(xs[i]))} ${r1(py(ys[i]))}`;
      out += `<path class="${s.style === "measured" ? "curve" : esc(s.style)}" fill="none" stroke-width="1.6" d="${d}"/>`;
    });
    return [height, out + "</g>"];
  },
  ticks(panel) {
    const limit = panel.limit;
    let out = "", top = 0;
    for (const lane of panel.lanes) {
      const from = firstFrom(lane.x, view[0]), to = firstFrom(lane.x, view[1]);
      let low = -limit, high = limit;
      for (let i = from; i < to; i++) { const v = lane.v[i]; if (v < low) low = v; if (v > high) high = v; }
      // even up to the limit, pressed together beyond it, so that both the usual and the worst can be seen
      const s = v => Math.asinh(v / limit), a = s(low * 1.15), b = s(high * 1.15), base = top + 6, size = LANE - 12;
      const py = v => base + (b - s(v)) / (b - a) * size;
      out += `<text x="2" y="${top + 16}">${esc(short(lane.name, LEFT < 100 ? 6 : 9))}</text>`;
      const taken = [];
      for (const [v, kind] of [[limit, "limit"], [-limit, "limit"], [high, ""], [low, ""], [0, "axis"]]) {
        const y = py(v);
        if (kind) out += `<line class="${kind}" x1="${LEFT}" x2="${width - RIGHT}" y1="${r1(y)}" y2="${r1(y)}"/>`;
        if (!v || taken.some(other => Math.abs(other - y) < 11)) continue;     // numbers may not hide each other
        taken.push(y);
        out += `<text class="value" x="${LEFT - 6}" y="${r1(y + 4)}" text-anchor="end">${num(v)}</text>`;
      }
      const zero = r1(py(0));
      let d = "", over = "";
      const single = (to - from) * 4 < width;
      for (const [x, l, h] of columns(lane.x, lane.v, from, to)) {
        const y0 = r1(py(h)), y1 = r1(py(Math.min(l, 0) === l ? l : Math.min(l, h)));
        d += `M${x} ${single ? zero : y1 + (y0 === y1 ? .8 : 0)}V${y0 === y1 && !single ? y0 - .8 : y0}`;
        if (h > limit || l < -limit) over += `M${x} ${r1(py(h > limit ? h : l))}V${r1(py(h > limit ? limit : -limit))}`;
      }
      out += `<path class="curve" d="${d}"/><path class="over" d="${over}"/>`;
      if (single) for (let i = from; i < to; i++)
        out += `<circle class="dots" cx="${r1(px(lane.x[i]))}" cy="${r1(py(lane.v[i]))}" r="2.2"/>`;
      for (const t of lane.gaps) if (t >= view[0] && t <= view[1])
        out += `<text class="m-error" x="${r1(px(t))}" y="${r1(py(0) + 4)}" text-anchor="middle">✕<title>clocks ` +
          "missing here</title></text>";
      top += LANE;
    }
    return [top, out];
  },
  points(panel) {
    const height = 110, limit = panel.limit;
    let low = -limit, high = limit;
    for (const [t, v] of panel.points) if (v !== null && t >= view[0] && t <= view[1]) {
      low = Math.min(low, v); high = Math.max(high, v);
    }
    const s = v => Math.asinh(v / limit), a = s(low * 1.15), b = s(high * 1.15);
    const py = v => 6 + (b - s(v)) / (b - a) * (height - 26);
    let out = "";
    const close = py(0) - py(limit) < 11;                       // names may not hide each other
    for (const v of [limit, 0, -limit]) out += `<line class="${v ? "limit" : "axis"}" x1="${LEFT}" x2="${width - RIGHT}" ` +
      `y1="${r1(py(v))}" y2="${r1(py(v))}"/>` + (close && v ? "" : label(v ? num(v) : "on time", py(v) + 4));
    const said = text => text + (panel.gone ? ", " + panel.gone : "");
    for (const group of heaps(panel.points.filter(p => p[1] === null && p[0] >= view[0] && p[0] <= view[1]))) {
      const texts = group.map(p => said(p[2])), more = texts.length > 12 ? `\nand ${texts.length - 12} more` : "";
      out += `<text class="m-error" x="${r1(px(group[0][0]))}" y="${height - 3}" text-anchor="middle">✕` +
        `${group.length > 1 ? group.length : ""}<title>${esc(texts.slice(0, 12).join("\n") + more)}</title></text>`;
    }
    const seen = new Set();
    for (const [t, v, text, shape] of panel.points) {
      if (v === null || t < view[0] || t > view[1]) continue;
      const x = r1(px(t)), y = r1(py(v)), key = x + "/" + y;
      if (seen.has(key)) continue;
      seen.add(key);
      const title = `<title>${esc(text)}, ${num(v)} ms</title>`;
      if (Math.abs(v) > limit) out += `<text class="m-warning" x="${x}" y="${y + 4}" text-anchor="middle">▲${title}</text>`;
      else out += `<circle class="dots" cx="${x}" cy="${y}" r="3.2">${title}</circle>`;
    }
    return [height, out];
  },
  histogram(panel) {
    const source = data.panels.find(p => p.id === panel.of), edges = [];
    for (let e = -3; e < 6; e++) for (const m of [1, 2, 5]) edges.push(m * 10 ** e);
    edges.push(panel.limit);
    edges.sort((a, b) => a - b);
    const bins = new Array(edges.length + 2).fill(0);
    let count = 0, greatest = panel.limit, least = 0;
    for (const lane of source.lanes) {
      const to = firstFrom(lane.x, view[1]);
      for (let i = firstFrom(lane.x, view[0]); i < to; i++) {
        const v = lane.v[i];
        let bin = 0;
        if (v >= 0) { bin = 1; while (bin <= edges.length && v >= edges[bin - 1]) bin++; }
        bins[bin]++; count++;
        if (v > greatest) greatest = v;
      }
    }
    let first = bins.findIndex((n, i) => i && n), last = edges.findIndex(e => e > greatest) + 1;
    if (first < 1) first = 1;
    first = Math.min(first, edges.indexOf(panel.limit) + 1);
    const shown = [];
    if (bins[0]) shown.push(["early", bins[0], false]);
    for (let i = first; i <= last; i++) shown.push(["< " + num(edges[i - 1]), bins[i], edges[i - 1] === panel.limit]);
    const height = 118, w = (width - LEFT - RIGHT) / shown.length, tall = Math.log10(1 + Math.max(1, ...bins));
    let out = label("clocks", 14);
    const every = Math.max(1, Math.ceil(46 / w));            // numbers that would overlap are left out
    shown.forEach(([text, n, atLimit], i) => {
      const x = LEFT + i * w, h = Math.log10(1 + n) / tall * (height - 36);
      out += `<rect class="fill" x="${r1(x + 1)}" width="${r1(Math.max(1, w - 2))}" y="${r1(height - 14 - h)}" ` +
        `height="${r1(h)}"/><text class="faint" x="${r1(x + w / 2)}" y="${height}" text-anchor="middle">${i % every ? "" : text}</text>` +
        (n && !(i % every) ? `<text x="${r1(x + w / 2)}" y="${r1(height - 18 - h)}" text-anchor="middle">${n}</text>` : "");
      if (atLimit) out += `<line class="limit" x1="${r1(x + w)}" x2="${r1(x + w)}" y1="2" y2="${height - 12}"/>` +
        `<text x="${r1(x + w + 4)}" y="11">limit</text>`;
    });
    out += `<text class="faint" x="2" y="${height}">ms late</text>`;
    return [height, out];
  },
};
function heaps(points) {                          // those too close together to be told apart, each with the first
  const out = [];
  for (const point of points.slice().sort((a, b) => a[0] - b[0])) {
    const last = out[out.length - 1];
    if (last && px(point[0]) - px(last[0][0]) < 24) last.push(point);
    else out.push([point]);
  }
  return out;
}
function ticksOf(low, high) {
  const rough = (high - low) / 4, power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map(m => m * power).find(v => v >= rough) || power * 10, out = [];
  for (let v = Math.ceil(low / step) * step; v <= high; v += step) out.push(+v.toFixed(9));
  return out;
}

// --- drawing all ------------------------------------------------------------------------------------------
function redraw() {
  for (const panel of data.panels) {
    const svg = document.getElementById("plot-" + panel.id);
    const [height, body] = draw[panel.kind](panel);
    const axis = panel.kind === "histogram" ? "" : bars(height) + overlay(height);
    const full = panel.kind === "histogram" ? height + 6 : height + 16;
    svg.setAttribute("viewBox", `0 0 ${width} ${full}`);
    svg.innerHTML = clip(panel.id, height) + axis + body;
  }
  const b = barOf(view[1]), a = barOf(view[0]) ?? (b === null ? null : data.bars[0][1]);   // a lead is no bar
  const span = b === null ? `${num(view[0])} s to ${num(view[1])} s` : `bar ${a} to ${b}`;
  readout.textContent = view[0] === whole[0] && view[1] === whole[1] ? `${data.whole || "the whole take"}, ${span}` : span;
}
let waiting = 0;
function later() { if (!waiting) waiting = requestAnimationFrame(() => { waiting = 0; redraw(); }); }
function look(a, b) {
  const least = 0.02, most = whole[1] - whole[0];
  let size = Math.min(most, Math.max(least, b - a)), mid = (a + b) / 2;
  a = Math.max(whole[0], Math.min(whole[1] - size, mid - size / 2));
  view = size === most ? whole.slice() : [a, a + size];
  later();
}
function near(t) {                              // two bars on either side
  here = t;
  const i = Math.max(0, firstFrom(data.bars.map(x => x[0]), t + 1e-6) - 1), n = data.bars.length;
  if (n < 2) return look(t - 2, t + 2);
  const a = data.bars[Math.max(0, i - 2)][0], b = i + 3 < n ? data.bars[i + 3][0] : whole[1];
  look(Math.min(a, t - .05), Math.max(b, t + .05));
}
const zoom = f => { const m = here !== null && here > view[0] && here < view[1] ? here : (view[0] + view[1]) / 2;
  const k = (m - view[0]) / (view[1] - view[0]), size = (view[1] - view[0]) * f;
  look(m - k * size, m + (1 - k) * size); };
const shift = f => { const d = (view[1] - view[0]) * f; look(view[0] + d, view[1] + d); };
const acts = { whole: () => { here = null; unmark(); look(...whole); }, closer: () => zoom(.5), wider: () => zoom(2),
  earlier: () => shift(-.5), later: () => shift(.5) };

// --- hands and keys -----------------------------------------------------------------------------------------
function unmark() { document.querySelectorAll("li.shown").forEach(li => { li.classList.remove("shown");
  li.querySelector("button").removeAttribute("aria-pressed"); }); }
document.querySelectorAll("button[data-act]").forEach(b => b.addEventListener("click", () => acts[b.dataset.act]()));
document.querySelectorAll("button[data-t]").forEach(b => b.addEventListener("click", () => {
  unmark();
  b.closest("li").classList.add("shown");
  b.setAttribute("aria-pressed", "true");
  near(+b.dataset.t);
  plots.scrollIntoView({ block: "start" });
}));
document.getElementById("go-bar")?.addEventListener("change", e => {
  const found = data.bars.find(b => b[1] === +e.target.value);
  if (found) near(found[0]); else readout.textContent = `there is no bar ${e.target.value}`;
});
plots.addEventListener("keydown", e => {
  if (e.target !== plots || e.ctrlKey || e.altKey || e.metaKey) return;
  const act = { "+": "closer", "=": "closer", "-": "wider", "0": "whole", ArrowLeft: "earlier", ArrowRight: "later" }[e.key];
  if (act) { acts[act](); e.preventDefault(); }
});
const inSvg = (e, svg) => { const box = svg.getBoundingClientRect(); return (e.clientX - box.left) / box.width * width; };
plots.querySelectorAll("svg").forEach(svg => {
  if (svg.id === "plot-histogram") return;
  let begun = null;
  svg.addEventListener("pointerdown", e => {
    const go = e.target.closest("[data-go]");
    if (go) { near(+go.dataset.go); return; }
    if (e.button) return;
    begun = timeAt(Math.max(LEFT, inSvg(e, svg)));
    svg.setPointerCapture(e.pointerId);
  });
  svg.addEventListener("pointermove", e => {
    if (begun === null) return;
    chosen = [begun, timeAt(Math.min(width - RIGHT, Math.max(LEFT, inSvg(e, svg))))];
    later();
  });
  const end = e => {
    if (begun === null) return;
    const [a, b] = chosen || [begun, begun];
    begun = chosen = null;
    if (Math.abs(px(a) - px(b)) > 6) look(Math.min(a, b), Math.max(a, b)); else later();
  };
  svg.addEventListener("pointerup", end);
  svg.addEventListener("pointercancel", () => { begun = chosen = null; later(); });
  svg.addEventListener("dblclick", acts.whole);
});
function fit() { const w = Math.max(300, Math.round((plots.querySelector("svg") || plots).getBoundingClientRect().width));
  if (w !== width) { width = w; LEFT = w < 560 ? 76 : 104; redraw(); } }
addEventListener("resize", fit);
addEventListener("beforeprint", () => document.querySelectorAll("details").forEach(d => {
  if (!d.open) { d.open = true; d.dataset.closed = "1"; } }));
addEventListener("afterprint", () => document.querySelectorAll("details[data-closed]").forEach(d => {
  d.open = false; delete d.dataset.closed; }));
width = 0;
fit();
document.documentElement.dataset.drawn = "1";
})();
