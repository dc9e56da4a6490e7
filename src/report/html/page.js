(() => {
"use strict";
const $ = (id) => document.getElementById(id);
const D = JSON.parse($("index").textContent);
const SET = D.view === "set";
const stats = { drawn: 0, unpacked: 0, rows: 0, errors: [] };
window.takeproof = stats;
window.addEventListener("error", (e) => stats.errors.push(String(e.message)));
window.addEventListener("unhandledrejection", (e) => stats.errors.push(String(e.reason)));

// Elements are built from text only: nothing from a file is ever read as markup.
function h(tag, props, ...kids) {
  const el = document.createElement(tag);
  for (const [k, v] of Object.entries(props || {})) {
    if (v === null || v === undefined || v === false) continue;
    if (k.startsWith("on")) el.addEventListener(k.slice(2), v);
    else if (k === "data") Object.assign(el.dataset, v);
    else if (k === "class") el.className = v;
    else el.setAttribute(k, v === true ? "" : String(v));
  }
  for (const kid of kids.flat()) if (kid !== null && kid !== undefined && kid !== false) el.append(kid);
  return el;
}
const colours = () => {
  const s = getComputedStyle(document.documentElement);
  return new Proxy({}, { get: (_, k) => s.getPropertyValue("--" + String(k)).trim() });
};
const SEVERITY = { fault: "on a line", caution: "tell post", note: "for the log" };
const clip = (text, n) => { const all = [...String(text)]; return all.length > n ? all.slice(0, n).join("") + "…" : all.join(""); };
const sign = (severity, word, unheld) => h("span", { class: "sign", data: { severity }, "data-unheld": unheld }, h("i", { "aria-hidden": "true" }), word ?? SEVERITY[severity]);
const kindName = (k) => (D.kinds[k] || [k, k])[0];
const kindShort = (k) => (D.kinds[k] || [k, k])[1];
const minus = (n, digits) => n.toFixed(digits).replace("-", "−");
const signed = (n, digits) => (n < 0 ? "" : "+") + minus(n, digits);

/* Timecode, counted as SMPTE ST 12-1 does. */
function clockOf(take) {
  const label = take.start_timecode, rate = take.frame_rate;
  const pad = (n, w = 2) => String(n).padStart(w, "0");
  const hms = (s) => `${pad(Math.floor(s / 3600))}:${pad(Math.floor(s / 60) % 60)}:${pad(s % 60)}`;
  const short = (t) => { const s = Math.max(0, Math.floor(t)); return s >= 3600 ? `${Math.floor(s / 3600)}:${pad(Math.floor(s / 60) % 60)}:${pad(s % 60)}` : `${Math.floor(s / 60)}:${pad(s % 60)}`; };
  const m = label && /^(\d+):(\d+):(\d+)[:;](\d+)$/.exec(label);
  const f = rate && /^(\d+)(?:\/(\d+))?$/.exec(rate);
  if (m && f) {
    const num = +f[1], den = +(f[2] || 1), nominal = Math.max(1, Math.round(num / den)), drop = take.drop_frame === true;
    const gone = Math.floor(nominal / 15);
    const framesOf = (s) => {
      if (!drop) return s * nominal;
      const minutes = Math.floor(s / 60), lost = gone * (minutes - Math.floor(minutes / 10));
      return s * nominal - lost + (minutes % 10 !== 0 && s % 60 === 0 ? gone : 0);
    };
    const minutes = +m[1] * 60 + +m[2];
    const first = (minutes * 60 + +m[3]) * nominal + +m[4] - (drop ? gone * (minutes - Math.floor(minutes / 10)) : 0);
    const day = framesOf(86400);
    return {
      origin: first * den / num,
      label(t) {
        let n = first + Math.floor(t * num / den + 1e-6);
        n = ((n % day) + day) % day;
        if (drop) {
          const minute = nominal * 60 - gone, ten = nominal * 600 - 9 * gone, rest = n % ten;
          n += gone * 9 * Math.floor(n / ten);
          if (rest >= nominal * 60) n += gone * (Math.floor((rest - nominal * 60) / minute) + 1);
        }
        return `${hms(Math.floor(n / nominal))}${drop ? ";" : ":"}${pad(n % nominal)}`;
      },
      moment: (s) => { const d = Math.floor(s / 86400); return (day * d + framesOf(s - d * 86400) - first) * den / num; },
      tick: (s) => hms(((s % 86400) + 86400) % 86400),
    };
  }
  const d = label && /^(\d+):(\d+):(\d+(?:\.\d+)?)$/.exec(label);
  if (d) {
    const start = +d[1] * 3600 + +d[2] * 60 + +d[3];
    return { origin: start, label: (t) => { const ms = Math.floor((start + t) * 1000 + 1e-6); return `${hms(Math.floor(ms / 1000) % 86400)}.${pad(ms % 1000, 3)}`; }, moment: (s) => s - start, tick: (s) => hms(((s % 86400) + 86400) % 86400) };
  }
  return { origin: 0, label: (t) => `${short(t)}.${Math.floor((t % 1) * 10)}`, moment: (s) => s, tick: short };
}
function ticks(clock, t0, t1, most) {
  const span = t1 - t0;
  if (span < 4) {
    const step = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1].find((s) => span / s < most) || 1, out = [];
    for (let k = Math.ceil(t0 / step); k * step <= t1; k++) out.push([k * step, `${+(k * step).toFixed(2)} s`]);
    return out;
  }
  const step = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400].find((s) => span / s < most) || 86400;
  const slack = Math.ceil(90 / step) + 2, first = Math.floor((clock.origin + t0) / step) - slack, out = [];
  for (let k = first; k <= first + 2 * slack + span / step + 2; k++) {
    const t = clock.moment(k * step);
    if (t >= t0 && t <= t1) out.push([t, clock.tick(k * step)]);
  }
  return out;
}

/* Each take lies in the page as one packed block, unpacked when it is opened. */
const unpacked = new Map();
function unpack(n) {
  if (unpacked.has(n)) return unpacked.get(n);
  const job = (async () => {
    const text = $("d" + n).textContent, raw = atob(text.trim()), bytes = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
    const all = new Uint8Array(await new Response(stream).arrayBuffer());
    const length = new DataView(all.buffer).getUint32(0, true);
    const data = JSON.parse(new TextDecoder().decode(all.subarray(4, 4 + length)));
    const rest = all.subarray(4 + length);
    const part = ([at, n], stride) => {
      const out = rest.slice(at, at + n);
      for (let i = stride; i < n; i++) out[i] = (out[i] + out[i - stride]) & 255;
      return out;
    };
    const d = data.drawing;
    if (d) {
      for (const t of d.tracks) { t.peak = part(t.peak, 1); t.rms = part(t.rms, 1); t.floor = part(t.floor, 1); }
      for (const tile of d.tiles) for (const t of tile.tracks) t.cells = part(t.cells, 28);
    }
    data.clock = clockOf(data.take);
    stats.unpacked++;
    return data;
  })();
  unpacked.set(n, job);
  if (unpacked.size > 8) unpacked.delete(unpacked.keys().next().value);
  return job;
}

/* A canvas that draws itself when it comes into view, and again when its size or the colours change. */
const seen = new IntersectionObserver((list) => {
  for (const e of list) { const c = e.target; c.inView = e.isIntersecting; if (c.inView && c.stale) c.paint(); }
}, { rootMargin: "120px" });
const sized = new ResizeObserver((list) => { for (const e of list) { const c = e.target; if (c.clientWidth !== c.lastWidth) redraw(c); } });
function redraw(c) { c.stale = true; if (c.inView) c.paint(); }
function canvas(height, label, draw, cls) {
  const c = h("canvas", { role: "img", "aria-label": label, class: cls });
  c.style.height = height + "px";
  c.stale = true;
  c.paint = () => {
    const w = c.clientWidth, dpr = Math.min(3, window.devicePixelRatio || 1);
    if (!w) return;
    c.lastWidth = w; c.stale = false;
    c.width = Math.round(w * dpr); c.height = Math.round(height * dpr);
    const g = c.getContext("2d");
    g.setTransform(dpr, 0, 0, dpr, 0, 0);
    g.clearRect(0, 0, w, height);
    g.font = "12px 'IBM Plex Sans','Segoe UI',system-ui,sans-serif"; g.textBaseline = "middle";
    draw(g, w, height, colours());
    stats.drawn++;
  };
  seen.observe(c); sized.observe(c);
  return c;
}
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => document.querySelectorAll("canvas").forEach(redraw));
function fit(g, text, width) {
  let t = clip(text, 120);
  if (g.measureText(t).width <= width) return t;
  let letters = [...t], lo = 0, hi = letters.length;
  while (hi - lo > 1) { const m = (lo + hi) >> 1; if (g.measureText(letters.slice(0, m).join("") + "…").width <= width) lo = m; else hi = m; }
  return letters.slice(0, lo).join("") + "…";
}
function mark(g, x, y, severity, c, r = 4.5) {
  g.fillStyle = g.strokeStyle = c[severity];
  g.beginPath();
  if (severity === "fault") g.rect(x - r, y - r, 2 * r, 2 * r);
  else if (severity === "caution") { g.moveTo(x - r * 1.15, y + r); g.lineTo(x, y - r * 1.1); g.lineTo(x + r * 1.15, y + r); g.closePath(); }
  else { g.arc(x, y, r * .85, 0, 7); g.lineWidth = 1.5; g.stroke(); return; }
  g.fill();
}

const LEFT = 132, RIGHT = 52, AXIS = 22, ROW = 14;
/* Below the axis and the words of slates. */
const ROWS = AXIS + 10;
const dB = (code) => code ? (code - 1) / 2 - 120 : -Infinity;

/* The picture of a take: every track on one axis. */
class Lanes {
  constructor(data, name) {
    this.data = data; this.take = data.take; this.clock = data.clock;
    this.length = Math.max(this.take.duration_s, 1e-3);
    this.t0 = 0; this.t1 = this.length; this.hover = null; this.chosen = null;
    this.talkers = [...new Set(this.take.speech.map((s) => s.talker).filter((t) => t !== null))];
    this.speechRows = this.talkers.length ? Math.min(6, this.talkers.length) : (this.take.speech.length ? 1 : 0);
    const n = Math.max(1, this.take.tracks.length);
    this.lane = Math.max(22, Math.min(62, 560 / n));
    this.top = ROWS + (this.take.no_clean_mic.length ? ROW : 0) + this.speechRows * ROW + 6;
    this.height = this.top + n * this.lane + 6;
    const say = `${name}: ${this.take.tracks.length} tracks, ${this.take.findings.length} findings. The table below holds the same.`;
    this.canvas = canvas(this.height, say, (g, w, _h, c) => this.draw(g, w, c), "lanes");
    this.canvas.tabIndex = 0;
    this.readout = h("span", { class: "readout" });
    this.bind();
  }
  x(t, w) { return LEFT + (t - this.t0) / (this.t1 - this.t0) * (w - LEFT - RIGHT); }
  t(x, w) { return this.t0 + (x - LEFT) / (w - LEFT - RIGHT) * (this.t1 - this.t0); }
  see(t0, t1) {
    const least = Math.min(this.length, 0.25), span = Math.min(this.length, Math.max(least, t1 - t0));
    this.t0 = Math.max(0, Math.min(this.length - span, t0)); this.t1 = this.t0 + span;
    redraw(this.canvas);
  }
  zoom(f, at) { const m = at ?? (this.t0 + this.t1) / 2; this.see(m - (m - this.t0) * f, m - (m - this.t0) * f + (this.t1 - this.t0) * f); }
  pan(share) { const d = (this.t1 - this.t0) * share; this.see(this.t0 + d, this.t1 + d); }
  whole() { this.see(0, this.length); }
  to(f) {
    if (!f || f.start_s === null) return;
    const span = Math.min(Math.max((f.end_s - f.start_s) * 3, 8), this.length), m = (f.start_s + Math.min(f.end_s, f.start_s + span / 2)) / 2;
    this.see(m - span / 2, m + span / 2);
  }
  bind() {
    const c = this.canvas; let drag = null, moved = false;
    c.addEventListener("wheel", (e) => {
      if (!(e.ctrlKey || e.metaKey || e.shiftKey)) return;
      e.preventDefault();
      const d = e.deltaY || e.deltaX;
      if (e.shiftKey) this.pan(d > 0 ? .15 : -.15); else this.zoom(d > 0 ? 1.25 : .8, this.t(e.offsetX, c.clientWidth));
    }, { passive: false });
    c.addEventListener("pointerdown", (e) => { drag = { x: e.offsetX, t0: this.t0, t1: this.t1 }; moved = false; });
    c.addEventListener("pointermove", (e) => {
      if (drag && e.buttons) {
        const d = (drag.x - e.offsetX) / (c.clientWidth - LEFT - RIGHT) * (drag.t1 - drag.t0);
        if (Math.abs(drag.x - e.offsetX) > 3) { moved = true; this.see(drag.t0 + d, drag.t1 + d); }
      }
      this.hover = { x: e.offsetX, y: e.offsetY }; this.tell(); redraw(c);
    });
    c.addEventListener("pointerup", (e) => { if (drag && !moved) this.pick(e.offsetX, e.offsetY); drag = null; });
    c.addEventListener("pointerleave", () => { this.hover = null; drag = null; this.readout.textContent = ""; redraw(c); });
    c.addEventListener("dblclick", (e) => this.zoom(.4, this.t(e.offsetX, c.clientWidth)));
    c.addEventListener("keydown", (e) => {
      const act = { "+": () => this.zoom(.7), "=": () => this.zoom(.7), "-": () => this.zoom(1.4), ArrowLeft: () => this.pan(-.2), ArrowRight: () => this.pan(.2), "0": () => this.whole(), Home: () => this.whole(), f: () => this.to(this.chosen) }[e.key];
      if (act && !e.ctrlKey && !e.metaKey && !e.altKey) { e.preventDefault(); e.stopPropagation(); act(); }
    });
  }
  pick(x, y) {
    const w = this.canvas.clientWidth, row = Math.floor((y - this.top) / this.lane), track = this.take.tracks[row];
    const near = this.take.findings.filter((f) => f.start_s !== null && (!track || f.tracks.includes(track.index)))
      .map((f) => { const a = this.x(f.start_s, w), b = Math.max(a + 10, this.x(f.end_s, w)); return [f, x < a - 4 || x > b + 4 ? Infinity : b - a]; })
      .filter(([, d]) => d < Infinity).sort((a, b) => a[1] - b[1])[0];
    if (near && this.onpick) this.onpick(near[0]);
  }
  tell() {
    const c = this.canvas, w = c.clientWidth, t = this.t(this.hover.x, w);
    if (t < 0 || t > this.length || this.hover.x < LEFT) { this.readout.textContent = ""; return; }
    const i = Math.floor((this.hover.y - this.top) / this.lane), track = this.take.tracks[i], d = this.data.drawing;
    let text = `${this.clock.label(t)}  ·  ${t.toFixed(2)} s`;
    if (track) {
      text += `  ·  ${clip(track.name || "track " + track.index, 30)}`;
      if (!SET && d && d.tracks[i] && d.column_s) {
        const k = Math.floor(t / d.column_s), say = (v) => v === -Infinity || v === undefined || Number.isNaN(v) ? "silence" : minus(v, 1);
        text += `  level ${say(dB(d.tracks[i].rms[k]))}, peak ${say(dB(d.tracks[i].peak[k]))}, background ${say(dB(d.tracks[i].floor[Math.floor(t / d.floor_column_s)]))} dBFS`;
      }
    }
    this.readout.textContent = text;
  }
  draw(g, w, c) {
    const take = this.take, d = this.data.drawing, right = w - RIGHT, bottom = this.top + take.tracks.length * this.lane;
    g.textAlign = "center"; g.fillStyle = c.soft;
    const marks = ticks(this.clock, this.t0, this.t1, Math.max(2, (right - LEFT) / 92));
    for (const [t, label] of marks) { const x = this.x(t, w); if (x > LEFT + 20 && x < right - 10) g.fillText(label, x, AXIS / 2); }
    take.tracks.forEach((track, i) => {
      const y = this.top + i * this.lane;
      if (i % 2 === 0) { g.fillStyle = c.lane; g.fillRect(LEFT, y, right - LEFT, this.lane); }
      const flags = this.lane >= 38 ? 13 : 0, strip = this.lane >= 38 ? 9 : 6, hi = y + flags, lo = y + this.lane - strip - 1;
      if (d && d.tracks[i] && d.column_s) this.envelope(g, w, d, d.tracks[i], hi, lo, c);
      this.states(g, w, track.index, y + this.lane - strip / 2 - 1, strip - 3, c);
      g.textAlign = "left"; g.fillStyle = c.ink; g.font = "600 13px 'IBM Plex Sans','Segoe UI',system-ui,sans-serif";
      const two = this.lane >= 34;
      g.fillText(fit(g, `${track.index} ${track.name || "(no name)"}`, LEFT - 14), 6, y + this.lane / 2 - (two ? 8 : 0));
      g.font = "12px 'IBM Plex Sans','Segoe UI',system-ui,sans-serif";
      if (two) { g.fillStyle = c.soft; g.fillText(track.role_word + (track.wireless ? ", wireless" : ""), 6, y + this.lane / 2 + 8); }
      if (!SET && this.lane >= 38) { g.fillStyle = c.soft; for (const [level, label] of [[0, "0"], [-40, "−40"], [-80, i === 0 ? "dBFS" : ""]]) g.fillText(label, right + 6, Math.max(y + 6, this.y(level, hi, lo))); }
    });
    g.strokeStyle = c.rule; g.lineWidth = 1;
    for (const [t] of marks) { const x = Math.round(this.x(t, w)) + .5; g.globalAlpha = .8; g.beginPath(); g.moveTo(x, AXIS); g.lineTo(x, bottom); g.stroke(); g.globalAlpha = 1; }
    this.outside(g, w, bottom, c);
    this.speech(g, w, c);
    this.findings(g, w, c);
    if (this.hover && this.hover.x > LEFT && this.hover.x < right) { g.strokeStyle = c.ink; g.beginPath(); g.moveTo(this.hover.x + .5, AXIS); g.lineTo(this.hover.x + .5, bottom); g.stroke(); }
  }
  y(level, hi, lo) { return lo - Math.max(0, Math.min(1, (level + 84) / 84)) * (lo - hi); }
  envelope(g, w, d, tr, hi, lo, c) {
    const right = w - RIGHT;
    for (const [codes, ink] of [[tr.peak, c.peak], [tr.rms, c.body]]) {
      g.fillStyle = ink; g.beginPath();
      for (let px = LEFT; px < right; px++) {
        const a = Math.floor(this.t(px, w) / d.column_s), b = Math.max(a + 1, Math.floor(this.t(px + 1, w) / d.column_s));
        let top = 0;
        for (let k = Math.max(0, a); k < b && k < codes.length; k++) if (codes[k] > top) top = codes[k];
        const y = this.y(dB(top), hi, lo);
        if (y < lo) g.rect(px, y, 1, lo - y);
      }
      g.fill();
    }
    const line = () => {
      g.beginPath(); let up = true;
      for (let px = LEFT; px < right; px++) {
        const code = tr.floor[Math.min(tr.floor.length - 1, Math.floor(this.t(px, w) / d.floor_column_s))];
        const level = dB(code);
        if (level <= -84) { up = true; continue; }
        const y = this.y(level, hi, lo);
        if (up) g.moveTo(px, y); else g.lineTo(px, y);
        up = false;
      }
      g.stroke();
    };
    g.strokeStyle = c.card; g.lineWidth = 3; line();
    g.strokeStyle = c.floor; g.lineWidth = 1.2; line(); g.lineWidth = 1;
  }
  states(g, w, index, y, height, c) {
    const line = this.take.mic_timeline.find((m) => m.track === index);
    if (!line) return;
    const right = w - RIGHT;
    for (const s of line.stretches) {
      const a = Math.max(LEFT, this.x(s.start_s, w)), b = Math.min(right, Math.max(this.x(s.end_s, w), this.x(s.start_s, w) + 2));
      if (b <= a) continue;
      if (s.state === "clean") { g.fillStyle = c.clean; g.fillRect(a, y - 1, b - a, 2); }
      else if (s.state === "faulty") {
        g.fillStyle = c.fault; g.fillRect(a, y - height / 2, b - a, height);
        g.strokeStyle = c.card; g.lineWidth = 1.2;
        for (let x = a + 4; x + 3 < b; x += 7) { g.beginPath(); g.moveTo(x, y + height / 2); g.lineTo(x + 3, y - height / 2); g.stroke(); }
      } else if (s.state === "off_mic") { g.fillStyle = c.caution; for (let x = a; x < b; x += 9) g.fillRect(x, y - 1.5, Math.min(5, b - x), 3); }
      else { g.fillStyle = c.soft; for (let x = a; x < b; x += 5) g.fillRect(x, y - 1, Math.min(1.5, b - x), 2); }
    }
  }
  speech(g, w, c) {
    const right = w - RIGHT; let y = ROWS + ROW / 2;
    g.textAlign = "right";
    const bar = (a, b, half, ink) => { const x = Math.max(LEFT, this.x(a, w)), e = Math.min(right, Math.max(this.x(b, w), this.x(a, w) + 2)); if (e > x) { g.fillStyle = ink; g.fillRect(x, y - half, e - x, half * 2); } };
    if (this.take.no_clean_mic.length) {
      g.fillStyle = c.fault; g.fillText("no clean mic", LEFT - 8, y);
      for (const r of this.take.no_clean_mic) bar(r.start_s, r.end_s, 5, c.fault);
      y += ROW;
    }
    for (let i = 0; i < this.speechRows; i++) {
      const rest = i === 5 && this.talkers.length > 6, who = this.talkers[i];
      g.fillStyle = c.soft; g.textAlign = "right";
      g.fillText(fit(g, this.talkers.length ? (rest ? "others" : who) : "speech", LEFT - 16), LEFT - 8, y);
      for (const s of this.take.speech) if (!this.talkers.length || s.talker === who || rest && this.talkers.indexOf(s.talker) >= 5) bar(s.start_s, s.end_s, 3.5, c.soft);
      y += ROW;
    }
  }
  outside(g, w, bottom, c) {
    const right = w - RIGHT, gaps = []; let at = 0;
    if (this.take.windows.length) {
      for (const win of this.take.windows) { if (win.start_s > at + .01) gaps.push([at, win.start_s]); at = Math.max(at, win.end_s); }
      if (at < this.length - .01) gaps.push([at, this.length]);
    }
    for (const [s, e] of gaps) {
      const a = Math.max(LEFT, this.x(s, w)), b = Math.min(right, this.x(e, w));
      if (b <= a) continue;
      g.globalAlpha = .5; g.fillStyle = c.card; g.fillRect(a, this.top, b - a, bottom - this.top);
      g.strokeStyle = c.soft; g.globalAlpha = .35;
      for (let x = a + 4; x < b; x += 8) { g.beginPath(); g.setLineDash([2, 3]); g.moveTo(x, this.top); g.lineTo(x, bottom); g.stroke(); }
      g.setLineDash([]); g.globalAlpha = 1;
    }
    let free = -Infinity;
    for (const l of this.take.landmarks) {
      const x = this.x(l.start_s, w), word = { slate_clap: "slate", lineup_tone: "tone" }[l.kind];
      if (!word || x < LEFT || x > right) continue;
      g.strokeStyle = c.ink; g.setLineDash([4, 3]); g.beginPath(); g.moveTo(x, AXIS - 2); g.lineTo(x, bottom); g.stroke(); g.setLineDash([]);
      const wide = g.measureText(word).width;
      if (x < free) continue;
      free = x + wide + 12; g.textAlign = "left";
      g.fillStyle = c.ink; g.fillRect(x, AXIS - 6, wide + 8, 15); g.fillStyle = c.card; g.fillText(word, x + 4, AXIS + 2);
    }
  }
  findings(g, w, c) {
    const right = w - RIGHT, rank = { fault: 2, caution: 1, note: 0 };
    this.take.tracks.forEach((track, i) => {
      const y = this.top + i * this.lane, tall = this.lane >= 38;
      const on = this.take.findings.filter((f) => f.start_s !== null && f.tracks.includes(track.index));
      let tinted = -Infinity;
      for (const f of on) {
        if (f.severity === "note" && f !== this.chosen) continue;
        const a0 = this.x(f.start_s, w), b0 = Math.max(this.x(f.end_s, w), a0 + 2);
        if (b0 < LEFT || a0 > right) continue;
        const a = Math.max(LEFT, a0), b = Math.min(right, b0);
        if (f === this.chosen) { g.strokeStyle = c.ink; g.lineWidth = 2; g.strokeRect(a, y + 1, Math.max(3, b - a), this.lane - 2); g.lineWidth = 1; }
        if (f.end_s - f.start_s > this.length * .25) { g.fillStyle = c[f.severity]; g.fillRect(a, y + .5, b - a, 2); }
        else { const from = Math.max(a, tinted); if (b > from) { g.fillStyle = f.severity === "fault" ? c["tint-fault"] : c["tint-caution"]; g.fillRect(from, y, b - from, this.lane); tinted = b; } }
        if (a0 >= LEFT) { g.fillStyle = c[f.severity]; g.fillRect(a, y, 1.5, this.lane); }
      }
      const taken = [];
      for (const f of [...on].sort((p, q) => (q === this.chosen) - (p === this.chosen) || rank[q.severity] - rank[p.severity])) {
        const a0 = this.x(f.start_s, w), b0 = this.x(f.end_s, w);
        if (b0 < LEFT || a0 > right - 8) continue;
        const a = Math.max(LEFT + 1, a0), word = kindShort(f.kind), wide = g.measureText(word).width + 14;
        const free = (l, r) => taken.every(([tl, tr]) => r < tl - 3 || l > tr + 3);
        if (tall && a + wide < right && free(a, a + wide)) { g.globalAlpha = .85; g.fillStyle = c.card; g.fillRect(a + 2, y + 2, wide - 2, 11); g.globalAlpha = 1; mark(g, a + 5, y + 7, f.severity, c); g.fillStyle = c[f.severity]; g.textAlign = "left"; g.fillText(word, a + 13, y + 7.5); taken.push([a, a + wide]); }
        else if (free(a, a + 10)) { mark(g, a + 5, y + 7, f.severity, c); taken.push([a, a + 10]); }
      }
    });
  }
}

/* Third-octave spectrogram of the faulty stretch: the mic concerned above the best one, same seconds. */
const BAND_HZ = (b) => b === 0 ? 30 : 1000 * 10 ** ((b - 14) / 10);
function spectrogram(data, tile, finding) {
  const each = 118, gap = 20, n = tile.tracks.length, height = n * (each + gap) + 20;
  const hurt = (track) => data.take.mic_timeline.some((m) => m.track === track && m.stretches.some((s) => s.state === "faulty" && s.start_s < finding.end_s && s.end_s > finding.start_s));
  const names = tile.tracks.map((t) => (data.take.tracks.find((x) => x.index === t.track) || {}).name || "track " + t.track);
  return canvas(height, `Spectrogram of ${names.join(" above ")}`, (g, w, _h, c) => {
    const left = 58, right = w - 12, style = c;
    let top = 0;
    for (const t of tile.tracks) for (const v of t.cells) if (v > top) top = v;
    const ink = toRgb(style.ink), card = toRgb(style.card), hot = toRgb(style.fault);
    const columns = tile.tracks[0].cells.length / 28;
    tile.tracks.forEach((t, i) => {
      const y0 = i * (each + gap) + gap - 2, img = new ImageData(columns, 28);
      for (let k = 0; k < columns; k++) for (let b = 0; b < 28; b++) {
        // 60 dB below the loudest cell is paper; darker is louder, so a grey print reads the same.
        const v = t.cells[k * 28 + b], s = v ? Math.max(0, 1 - (top - v) * 2 / 60) : 0, p = ((27 - b) * columns + k) * 4;
        for (let q = 0; q < 3; q++) img.data[p + q] = s < .75 ? card[q] + (ink[q] - card[q]) * s / .75 * .85 : ink[q] * .85 + card[q] * .15 + (hot[q] - (ink[q] * .85 + card[q] * .15)) * (s - .75) / .25;
        img.data[p + 3] = 255;
      }
      const off = new OffscreenCanvas(columns, 28); off.getContext("2d").putImageData(img, 0, 0);
      g.imageSmoothingEnabled = true; g.imageSmoothingQuality = "high";
      g.drawImage(off, left, y0, right - left, each);
      g.strokeStyle = style.rule; g.strokeRect(left + .5, y0 + .5, right - left, each);
      g.fillStyle = style.ink; g.textAlign = "left"; g.fillText(fit(g, (i === 0 ? "" : hurt(t.track) ? "faulty here too: " : "best mic: ") + names[i], right - left), left, y0 - 8);
      g.textAlign = "right"; g.fillStyle = style.soft;
      for (const hz of [100, 1000, 10000]) {
        const b = hz === 100 ? 4 : hz === 1000 ? 14 : 24, y = y0 + each * (1 - (b + .5) / 28);
        g.fillText(hz >= 1000 ? hz / 1000 + " kHz" : hz + " Hz", left - 6, y);
      }
      const x = (s) => left + (s - tile.start_s) / (columns * tile.column_s) * (right - left);
      const a = Math.max(left, x(finding.start_s)), b = Math.min(right, x(finding.end_s));
      g.fillStyle = style.ink; g.fillRect(a, y0 + each + 1, Math.max(3, b - a), 3);
    });
    g.textAlign = "center"; g.fillStyle = style.soft;
    const t1 = tile.start_s + columns * tile.column_s;
    for (const [t, label] of ticks(data.clock, tile.start_s, t1, (right - left) / 90)) { const x = left + (t - tile.start_s) / (t1 - tile.start_s) * (right - left); if (x > left + 20 && x < right - 20) g.fillText(label, x, height - 9); }
  });
}
function toRgb(text) {
  const m = /^#(..)(..)(..)$/.exec(text);
  return m ? [1, 2, 3].map((i) => parseInt(m[i], 16)) : [128, 128, 128];
}

/* Two microphones: delay and coherence over time, and what their plain sum does. */
const measured = (pair) => pair.segments.length > 0;
function pairFigure(data, pair) {
  const take = data.take, name = (i) => clip((take.tracks.find((t) => t.index === i) || {}).name || "track " + i, 40);
  const said = [];
  if (pair.delay_ms !== null) said.push(`${name(pair.b)} is ${Math.abs(pair.delay_ms).toFixed(2)} ms ${pair.delay_ms >= 0 ? "later" : "earlier"} than ${name(pair.a)}${pair.delay_kind ? ", " + pair.delay_kind : ""}`);
  else if (pair.delay_kind === "moving") {
    const delays = pair.segments.map((s) => s.delay_ms).filter((ms) => ms !== null);
    said.push(`${name(pair.b)} moves, ${signed(Math.min(...delays), 2)} to ${signed(Math.max(...delays), 2)} ms from ${name(pair.a)}`);
  }
  if (pair.level_difference_db !== null) said.push(`${signed(pair.level_difference_db, 1)} dB`);
  said.push({ same: "same polarity", inverted: "polarity reversed", unclear: "polarity unclear" }[pair.polarity]);
  if (pair.nudge_samples) said.push(`lines up with a nudge of ${signed(pair.nudge_samples, 0)} samples`);
  if (pair.summed_first_null_hz) said.push(`first null of the sum ${Math.round(pair.summed_first_null_hz)} Hz`);
  const P = 92, G = 42, height = 3 * (P + G) + 8;
  const c = canvas(height, said.join("; "), (g, w, _h, c) => {
    const left = 58, right = w - 12, y0 = (k) => k * (P + G) + 20, x = (t) => left + t / Math.max(take.duration_s, 1e-6) * (right - left);
    const frame = (k, title, time) => {
      g.fillStyle = c.ink; g.textAlign = "left"; g.fillText(title, left, y0(k) - 10);
      g.fillStyle = c.lane; g.fillRect(left, y0(k), right - left, P);
      if (time) { g.textAlign = "center"; g.fillStyle = c.soft; for (const [t, l] of ticks(data.clock, 0, take.duration_s, (right - left) / 90)) if (x(t) > left + 24 && x(t) < right - 24 && k === 1) g.fillText(l, x(t), y0(k) + P + 8); }
    };
    const level = (k, y, text) => { g.strokeStyle = c.rule; g.beginPath(); g.moveTo(left - 3, y); g.lineTo(right, y); g.stroke(); g.fillStyle = c.soft; g.textAlign = "right"; g.fillText(text, left - 6, y); };
    frame(0, "Delay, ms", true);
    const ds = pair.segments.map((s) => s.delay_ms).filter((v) => v !== null).concat([0]);
    let lo = Math.min(...ds), hi = Math.max(...ds); const room = Math.max(.2, (hi - lo) * .15); lo -= room; hi += room;
    const yd = (v) => y0(0) + P * (hi - v) / (hi - lo);
    level(0, yd(0), "0"); for (const v of [hi - room, lo + room]) if (Math.abs(yd(v) - yd(0)) > 13) level(0, yd(v), minus(v, 1));
    for (const s of pair.segments) if (s.delay_ms !== null) {
      const a = x(s.start_s), b = Math.max(a + 3, x(s.end_s)), y = yd(s.delay_ms), bad = s.polarity === "inverted";
      g.fillStyle = bad ? c.fault : c.body; g.fillRect(a, y - 2, b - a, 4);
      if (bad) { const m = (a + b) / 2; g.strokeStyle = c.fault; g.lineWidth = 1.5; g.beginPath(); g.moveTo(m - 4, y - 6); g.lineTo(m + 4, y + 6); g.moveTo(m + 4, y - 6); g.lineTo(m - 4, y + 6); g.stroke(); g.lineWidth = 1; }
    }
    frame(1, "Coherence, 500 Hz to 3 kHz", true);
    const yk = (v) => y0(1) + P * (1 - v);
    level(1, yk(0), "0"); level(1, yk(.5), "0.5"); level(1, yk(1), "1");
    for (const s of pair.segments) if (s.coherence !== null) { const a = x(s.start_s), b = Math.max(a + 2, x(s.end_s)); g.fillStyle = c.peak; g.fillRect(a, yk(s.coherence), b - a, yk(0) - yk(s.coherence)); g.fillStyle = c.body; g.fillRect(a, yk(s.coherence) - 1, b - a, 2); }
    frame(2, "Plain sum against the louder one, dB", false);
    const from = 40, to = 16000, xf = (hz) => left + Math.log(hz / from) / Math.log(to / from) * (right - left), ys = (v) => y0(2) + P * (9 - Math.max(-30, Math.min(9, v))) / 39;
    for (const v of [6, 0, -12, -24]) level(2, ys(v), minus(v, 0));
    g.textAlign = "center"; g.fillStyle = c.soft; for (const hz of [100, 1000, 10000]) g.fillText(hz >= 1000 ? hz / 1000 + " kHz" : hz + " Hz", xf(hz), y0(2) + P + 8);
    if (pair.delay_ms !== null && pair.level_difference_db !== null) {
      const gain = 10 ** (pair.level_difference_db / 20), sgn = pair.polarity === "inverted" ? -1 : 1, ref = Math.max(1, gain);
      const small = Math.min(gain, 1 / gain);
      g.strokeStyle = c.ink; g.lineWidth = 1.6; g.beginPath(); let end = right;
      for (let px = left; px <= right; px++) {
        const hz = from * (to / from) ** ((px - left) / (right - left));
        // Where nulls fall closer than a few pixels only the range between peak and null is shown.
        if ((right - left) / Math.log(to / from) * 1000 / Math.max(1e-6, Math.abs(pair.delay_ms)) / hz < 7) { end = px; break; }
        const y = ys(20 * Math.log10(Math.max(1e-4, Math.sqrt(1 + gain * gain + 2 * sgn * gain * Math.cos(2 * Math.PI * hz * pair.delay_ms / 1000)) / ref)));
        if (px === left) g.moveTo(px, y); else g.lineTo(px, y);
      }
      g.stroke(); g.lineWidth = 1;
      if (end < right - 3) { g.fillStyle = c.peak; const a = ys(20 * Math.log10(1 + small)), b = ys(20 * Math.log10(Math.max(1e-4, 1 - small))); g.fillRect(end, a, right - end, b - a); }
    } else {
      g.textAlign = "left"; g.fillStyle = c.soft;
      g.fillText(pair.delay_kind === "moving" ? "Not predicted: it changes with every move." : "Not predicted: no delay could be measured.", left + 12, y0(2) + P / 2);
    }
  });
  return h("figure", {}, h("figcaption", {}, `${name(pair.a)} and ${name(pair.b)}: ${said.join(" · ")}`), c);
}

/* Listening: one sound at a time, quiet at first. */
let playing = null, volume = 0.4;
function stop() { if (playing) { playing.audio.pause(); playing.button.setAttribute("aria-pressed", "false"); playing = null; } }
function listen(findingId) {
  const clips = D.clips.filter((c) => c.finding === findingId);
  if (!clips.length) return h("p", { class: "hint" }, D.clips.length ? "No clip of this one: clips are cut for the worst of a kind, and only between slate and cut." : "To hear it here, run the check again with --clips.");
  const loud = clips.some((c) => c.loud);
  const buttons = clips.map((c) => {
    const b = h("button", { type: "button", class: "play", "aria-pressed": "false", data: { best: c.best } }, `${c.best ? "Best mic" : "Mic concerned"}: ${clip(c.label, 40)}`);
    b.addEventListener("click", () => {
      const mine = playing && playing.button === b;
      stop();
      if (mine) return;
      const audio = new Audio(c.file);
      audio.volume = volume;
      playing = { audio, button: b };
      b.setAttribute("aria-pressed", "true");
      audio.addEventListener("ended", stop);
      audio.addEventListener("error", () => { if (playing && playing.button === b) { stop(); b.textContent = "The clips folder is not beside this page"; } });
      audio.play().then(() => { stats.played = (stats.played || 0) + 1; }, () => {});
    });
    return b;
  });
  const level = h("input", { type: "range", min: "0", max: "1", step: "0.05", value: String(volume), oninput: (e) => { volume = +e.target.value; if (playing) playing.audio.volume = volume; } });
  return h("div", { class: "listen" }, loud && h("span", { class: "loud" }, "Loud moment in it: turn down first."), buttons, h("label", {}, "Volume", level));
}

const UNITS = [["_dbfs", "dBFS"], ["_dbtp", "dBTP"], ["_lufs", "LUFS"], ["_db", "dB"], ["_khz", "kHz"], ["_hz", "Hz"], ["_ms", "ms"], ["_samples", "samples"], ["_share", "(share)"], ["_per_min", "a minute"], ["_s", "s"]];
const SAID = {
  log_odds_count: "weight for it (log odds)", log_odds_against_count: "weight against it (log odds)", events: "how often, within this time", high_over_mid_db: "8 to 16 kHz over 1 to 8 kHz",
};
function evidenceKey(key) {
  const [end, unit] = UNITS.find(([end]) => key.endsWith(end)) || ["", ""];
  return [SAID[key] || key.slice(0, key.length - end.length).replaceAll("_", " "), unit];
}
function evidenceValue(v) {
  if (v === null) return "not measured";
  if (Array.isArray(v)) return v.map(evidenceValue).join(", ");
  if (typeof v === "object") return Object.entries(v).map(([k, x]) => `${k}: ${evidenceValue(x)}`).join(", ");
  return typeof v === "number" ? String(v).replace("-", "−") : clip(String(v).replaceAll("_", " "), 300);
}

/* Everything about one take, with one finding in front. */
function takeView(n, data, findingId) {
  const head = D.takes[n], take = data.take, lanes = new Lanes(data, head.name);
  const order = [...take.findings].sort((a, b) => ({ fault: 2, caution: 1, note: 0 }[b.severity] - { fault: 2, caution: 1, note: 0 }[a.severity]) || (a.start_s ?? 0) - (b.start_s ?? 0));
  const detail = h("div", { class: "detail", "aria-live": "polite" });
  const list = h("ol", { class: "findings", "aria-label": "Findings of this take" });
  const buttons = order.map((f) => h("button", { type: "button", onclick: () => choose(f, true) }, sign(f.severity, ""), h("span", {}, `${f.track ? clip(f.track, 40) + ": " : ""}${kindName(f.kind)}`), h("small", {}, `${f.start_tc || (f.start_s === null ? "" : data.clock.label(f.start_s))} · ${f.severity_word}, ${f.sure}`)));
  buttons.forEach((b) => list.append(h("li", {}, b)));
  function choose(f, look) {
    lanes.chosen = f; stop();
    order.forEach((o, i) => buttons[i].setAttribute("aria-current", String(o === f)));
    detail.replaceChildren(...findingDetail(f, data, take));
    if (look) lanes.to(f);
    redraw(lanes.canvas);
    if (look) history.replaceState(null, "", "#f=" + encodeURIComponent(f.id));
  }
  lanes.onpick = (f) => choose(f, false);
  const move = (d) => { const i = order.indexOf(lanes.chosen), f = order[(i + d + order.length) % order.length]; if (f) { choose(f, true); buttons[order.indexOf(f)].scrollIntoView({ block: "nearest" }); } };
  const tool = (text, label, act) => h("button", { type: "button", "aria-label": label, title: label, onclick: act }, text);
  const facts = [head.circled && "circled", head.no_good && "marked no good", head.type && head.type !== "dialogue" && head.type, head.roll && `roll ${clip(head.roll, 30)}`, take.start_timecode, head.length, !SET && `${take.sample_rate / 1000} kHz, ${take.bit_depth} bit${take.sample_format === "float" ? " float" : ""}`].filter(Boolean);
  const alternates = take.alternates.filter((a) => a.clean).map((a) => D.takes.findIndex((t) => t.id === a.take)).filter((i) => i >= 0);
  const answer = head.verdict === "no_clean_mic" && alternates.length
    ? h("p", { class: "answer" }, "Clean in another take of the setup: ", h("span", { class: "chips" }, alternates.slice(0, 6).map((i) => h("button", { type: "button", onclick: () => go(i) }, D.takes[i].name))))
    : null;
  const view = h("div", { class: "panel" },
    h("p", { class: "facts" }, h("b", {}, clip(head.name, 80)), "  ·  ", facts.join("  ·  "), "  ·  ", h("b", {}, head.answer)), answer,
    head.note && h("p", { class: "facts" }, `Note: ${clip(head.note, 400)}`),
    h("div", { class: "tools" }, tool("−", "Zoom out", () => lanes.zoom(1.4)), tool("+", "Zoom in", () => lanes.zoom(.7)), tool("‹", "Earlier", () => lanes.pan(-.3)), tool("›", "Later", () => lanes.pan(.3)), tool("Whole take", "Show the whole take", () => lanes.whole()), order.length ? tool("To the finding", "Zoom to the finding", () => lanes.to(lanes.chosen)) : null, lanes.readout),
    lanes.canvas, legend(),
    order.length ? h("div", { class: "two" }, list, detail) : h("p", { class: "none" }, "Nothing found in this take by the tests that ran."),
    tables(data, take));
  view.move = move;
  const start = order.find((f) => f.id === findingId) || order[0];
  if (start) choose(start, false);
  if (findingId && start && start.id === findingId && start.end_s - start.start_s < take.duration_s * .5) lanes.to(start);
  return view;
}
function legend() {
  const item = (cls, text) => h("li", {}, h("i", { class: cls }), text);
  return h("ul", { class: "legend", "aria-label": "Legend" }, item("lg-peak", "peak"), item("lg-body", "level"), item("lg-floor", "background"), item("lg-clean", "mic clean"), item("lg-faulty", "faulty"), item("lg-off", "off-mic"), item("lg-silent", "silent"), item("lg-out", "outside slate and cut"));
}
function findingDetail(f, data, take) {
  const out = [h("h3", {}, sign(f.severity), "  ", `${f.track ? clip(f.track, 60) + ": " : ""}${kindName(f.kind)}`)];
  out.push(h("p", {}, f.message), h("p", {}, h("b", {}, f.advice)));
  out.push(h("p", { class: "facts" }, [f.start_tc && `${f.start_tc} to ${f.end_tc}`, f.start_s !== null && `${f.start_s.toFixed(2)} to ${f.end_s.toFixed(2)} s`, f.sure, `comes from ${f.origin_word}`].filter(Boolean).join("  ·  ")));
  out.push(listen(f.id));
  const tile = data.drawing && data.drawing.tiles.find((t) => t.finding === f.id);
  if (tile && tile.tracks.length) out.push(h("figure", {}, h("figcaption", {}, "The same seconds: the mic concerned above, the best mic below. Darker is louder, red the loudest; the bar marks the finding"), spectrogram(data, tile, f)));
  const entries = Object.entries(f.evidence);
  if (entries.length) out.push(h("dl", {}, entries.map(([k, v]) => { const [name, unit] = evidenceKey(k); return [h("dt", {}, name), h("dd", {}, `${evidenceValue(v)}${unit && v !== null ? " " + unit : ""}`)]; }).flat()));
  if (["polarity_inverted", "comb_filtering", "late_track", "duplicate_track", "muffled", "off_mic"].includes(f.kind)) {
    const ids = new Set([...f.tracks, ...["microphones", "against", "reference_tracks"].flatMap((k) => Array.isArray(f.evidence[k]) ? f.evidence[k] : [])]);
    let pairs = take.pairs.filter((p) => ids.has(p.a) && ids.has(p.b));
    if (!pairs.length) pairs = take.pairs.filter((p) => ids.has(p.a) || ids.has(p.b)).sort((p, q) => (q.coherence ?? 0) - (p.coherence ?? 0)).slice(0, 1);
    out.push(...pairs.filter(measured).slice(0, 3).map((p) => pairFigure(data, p)));
  }
  const e = D.explain[f.kind];
  if (e) out.push(h("details", {}, h("summary", {}, "What this means"), e.filter(([, t]) => t && !(SET && /dB|LUFS/.test(t))).map(([title, text]) => h("p", {}, h("b", {}, title + ": "), text))));
  return out;
}
const STATE = { clean: "clean", faulty: "faulty", silent: "silent", off_mic: "off-mic" };
function tables(data, take) {
  const out = [], name = (i) => clip((take.tracks.find((t) => t.index === i) || {}).name || "track " + i, 60);
  const lazy = (title, build) => { const d = h("details", {}, h("summary", {}, title)); d.addEventListener("toggle", () => { if (d.open && d.children.length === 1) d.append(build()); }); return d; };
  const table = (heads, rows) => h("div", { class: "scroll" }, h("table", {}, h("thead", {}, h("tr", {}, heads.map((t) => h("th", { scope: "col" }, t)))), h("tbody", {}, rows.map((r) => h("tr", {}, r.map((c, i) => i ? h("td", { class: "num" }, c) : h("th", { scope: "row" }, c)))))));
  out.push(lazy("Which mic from when to when", () => table(["Mic", "From", "To", "State"], take.mic_timeline.flatMap((m) => m.stretches.map((s) => [name(m.track), data.clock.label(s.start_s), data.clock.label(s.end_s), STATE[s.state]])))));
  if (take.speech.length) out.push(lazy("Who speaks when, and which mic to use", () => table(["Who", "From", "To", "Use", "Why", "Clean"], take.speech.map((s) => [(s.talker ?? "somebody") + (s.effort && s.effort !== "normal" ? ` (${s.effort})` : ""), data.clock.label(s.start_s), data.clock.label(s.end_s), s.best_track ? name(s.best_track) : "none", s.best_reason || "", s.clean_tracks.map(name).join(", ") || "none"]))));
  if (SET) return out;
  const v = (x, digits = 1) => x === null || x === undefined ? "–" : minus(x, digits);
  out.push(lazy("Measurements of every track", () => table(["Track", "Peak dBFS", "True peak dBTP", "Speech dBFS", "Speech share", "Noise dBFS", "Noise dBA", "Speech over noise dB", "Loudness LUFS", "Top kHz", "Clipped"], take.tracks.map((t) => { const m = t.measurements; return [`${t.index} ${clip(t.name || "", 60)}`, v(m.sample_peak_dbfs), v(m.true_peak_dbtp), v(m.speech_level_dbfs), v(m.speech_share, 2), v(m.noise_floor_dbfs), v(m.noise_floor_dba), v(m.snr_db), v(m.loudness_lufs), m.bandwidth_hz === null ? "–" : (m.bandwidth_hz / 1000).toFixed(1), String(m.clipped_samples)]; }))));
  if (take.pairs.length) out.push(lazy(`Pairs of microphones (${take.pairs.length})`, () => h("div", {}, table(["Pair", "Delay ms", "Level dB", "Polarity", "Coherence", "Nudge samples"], take.pairs.map((p) => [`${name(p.a)} and ${name(p.b)}`, v(p.delay_ms, 2), v(p.level_difference_db), p.polarity, v(p.coherence, 2), p.nudge_samples === null ? "–" : minus(p.nudge_samples, 0)])), take.pairs.filter(measured).slice(0, 12).map((p) => pairFigure(data, p)))));
  if (take.faders) out.push(lazy("Faders in the mix", () => h("div", {}, take.faders.map((f) => h("figure", {}, h("figcaption", {}, `${name(f.track)} in ${name(f.mix_track)}, dB`), canvas(60, "Fader over time", (g, w, hh, c) => { g.strokeStyle = c.body; g.lineWidth = 1.5; g.beginPath(); let up = true; f.gain_db.forEach((x, i) => { if (x === null) { up = true; return; } const px = i / Math.max(1, f.gain_db.length - 1) * (w - 40) + 34, y = 5 + (12 - Math.max(-40, Math.min(12, x))) / 52 * (hh - 10); if (up) g.moveTo(px, y); else g.lineTo(px, y); up = false; }); g.stroke(); g.fillStyle = c.soft; g.textAlign = "right"; for (const l of [0, -20]) g.fillText(minus(l, 0), 28, 5 + (12 - l) / 52 * (hh - 10)); }))))));
  if (take.not_judged.length) out.push(lazy(`Tests that could not run here (${take.not_judged.length})`, () => h("ul", {}, take.not_judged.map((j) => h("li", {}, `${kindName(j.kind)}${j.tracks.length ? " on " + j.tracks.map(name).join(", ") : ""}: ${j.why}`)))));
  out.push(lazy("Files", () => h("ul", {}, take.files.map((f) => h("li", {}, `${clip(f.path, 200)} (${(f.bytes / 1e6).toFixed(1)} MB)`, f.problems.length ? h("ul", {}, f.problems.map((p) => h("li", {}, `${p.code}: ${p.detail}`))) : null)))));
  return out;
}

/* Rows: one open at a time, everywhere on the page. */
let open = null;
function close() { if (!open) return; stop(); open.host.classList.remove("open"); open.button && open.button.setAttribute("aria-expanded", "false"); open.panel.remove(); open = null; }
async function expand(host, button, takeIndex, findingId, before) {
  const again = open && open.host === host;
  close();
  if (again) return null;
  const slot = h("div", { class: "slot" });
  host.classList.add("open"); if (button) button.setAttribute("aria-expanded", "true");
  (before || host).append(slot);
  open = { host, button, panel: before ? before : slot, take: takeIndex };
  const mine = open;
  if (takeIndex === null || takeIndex === undefined) { slot.append(h("p", { class: "none" }, "About the files of the day: see the sections below.")); return null; }
  let data;
  try { data = await unpack(takeIndex); } catch (e) { stats.errors.push(String(e)); slot.append(h("p", { class: "none" }, "This browser cannot unpack the pictures; the list is complete.")); return null; }
  if (open !== mine) return null;
  const view = takeView(takeIndex, data, findingId);
  slot.append(view);
  open.view = view;
  return view;
}
function openRow(li) {
  const r = D.rows[+li.dataset.row], button = li.querySelector(".line");
  const job = expand(li, button, r.takes.length ? r.takes[0] : null, r.findings[0]);
  if (open && open.host === li && r.takes.length > 1) {
    const shown = r.takes.slice(0, 40);
    li.querySelector(".slot").prepend(h("ul", { class: "chips", "aria-label": "Takes concerned" }, shown.map((i) => h("li", {}, h("button", { type: "button", onclick: () => go(i) }, D.takes[i].name))), r.takes.length > 40 ? h("li", {}, `and ${r.takes.length - 40} more`) : null));
  }
  const t = r.takes.length ? D.takes[r.takes[0]] : null;
  if (open && open.host === li) history.replaceState(null, "", r.findings.length && t && r.findings[0].startsWith(t.id) ? "#f=" + encodeURIComponent(r.findings[0]) : t ? "#t=" + encodeURIComponent(t.id) : "#");
  return job;
}
function row(r) {
  const li = h("li", { class: "row", data: { row: r.n, severity: r.severity } },
    h("button", { type: "button", class: "line", "aria-expanded": "false" }, sign(r.severity, r.sign, r.unheld),
      h("span", { class: "say" }, h("b", {}, clip(r.place, 120)), r.place ? ": " : "", clip(r.what, 400) + ".", r.cover ? ` ${r.cover}.` : "", r.advice ? h("em", {}, ` ${r.advice}${/[.?!]$/.test(r.advice) ? "" : "."}`) : null),
      h("span", { class: "sure" }, r.sure)));
  stats.rows++;
  return li;
}
document.addEventListener("click", (e) => {
  const line = e.target.closest(".line");
  if (line) { openRow(line.parentElement); return; }
  const a = e.target.closest("a[data-take]");
  if (a) { e.preventDefault(); go(+a.dataset.take); }
});

/* Lists that grow as one scrolls: a day of hundreds of takes opens at once. */
const STEP = 60;
function grow(list, make, items) {
  list.replaceChildren();
  if (list.more) { list.more.remove(); list.watch.disconnect(); }
  let at = 0;
  const next = () => { items.slice(at, at + STEP).forEach((x) => list.append(...[make(x)].flat())); at += STEP; if (at >= items.length) { watch.disconnect(); more.remove(); } else more.textContent = `Show more (${items.length - at})`; };
  const more = h("button", { type: "button", class: "more", onclick: next });
  const watch = new IntersectionObserver((l) => { if (l.some((x) => x.isIntersecting)) next(); }, { rootMargin: "200px" });
  list.more = more; list.watch = watch;
  (list.tagName === "TBODY" ? list.closest(".scroll") : list).after(more);
  next();
  if (at < items.length) watch.observe(more);
}

const fields = ["scene", "take", "roll", "track", "kind", "severity", "verdict"];
function setUpFilter() {
  const opts = { scene: new Set(), take: new Set(), roll: new Set(), track: new Set(), kind: new Set(), severity: new Map(Object.entries(SEVERITY)), verdict: new Map() };
  D.takes.forEach((t) => { if (t.scene) opts.scene.add(t.scene); opts.take.add(t.name); if (t.roll) opts.roll.add(t.roll); t.tracks.forEach((x) => x && opts.track.add(x)); opts.verdict.set(t.verdict, t.verdict_word); });
  D.rows.forEach((r) => { if (r.kind) opts.kind.add(r.kind); });
  for (const f of fields) {
    const entries = opts[f] instanceof Map ? [...opts[f]] : [...opts[f]].map((x) => [x, f === "kind" ? kindName(x) : x]);
    const most = entries.slice(0, 600);
    $("f-" + f).replaceChildren(h("option", { value: "" }, "all"), ...most.map(([v, t]) => h("option", { value: v }, clip(t, 60))));
    $("f-" + f).addEventListener("change", filter);
  }
  $("f-order").addEventListener("change", filter);
  let wait; $("q").addEventListener("input", () => { clearTimeout(wait); wait = setTimeout(filter, 90); });
  $("filter").addEventListener("reset", () => setTimeout(filter));
  $("filter").addEventListener("submit", (e) => e.preventDefault());
  $("rows-n").textContent = D.rows.length;
}
function wordsOf(r) {
  if (!r.words) { const t = r.takes.map((i) => D.takes[i]); r.words = [r.place, r.what, r.cover, r.advice, r.track, r.kind_name, r.kind, ...t.slice(0, 5).flatMap((x) => [x.name, x.roll, x.file, x.note])].filter(Boolean).join(" ").toLowerCase(); }
  return r.words;
}
function filter() {
  const want = Object.fromEntries(fields.map((f) => [f, $("f-" + f).value])), q = $("q").value.trim().toLowerCase().split(/\s+/).filter(Boolean);
  const any = (r, test) => r.takes.some((i) => test(D.takes[i]));
  const rows = D.rows.filter((r) =>
    (!want.scene || any(r, (t) => t.scene === want.scene)) && (!want.take || any(r, (t) => t.name === want.take)) && (!want.roll || any(r, (t) => t.roll === want.roll)) &&
    (!want.track || r.track.split(/, | and /).includes(want.track) || r.track === want.track) && (!want.kind || r.kind === want.kind) && (!want.severity || r.severity === want.severity) &&
    (!want.verdict || any(r, (t) => t.verdict === want.verdict)) && q.every((w) => wordsOf(r).includes(w)));
  const order = $("f-order").value;
  const key = { time: (r) => [r.takes[0] ?? -1, r.start_s ?? -1], kind: (r) => [r.kind_name, r.n], track: (r) => [r.track, r.n] }[order];
  if (key) rows.sort((a, b) => { const x = key(a), y = key(b); for (let i = 0; i < 2; i++) { if (x[i] < y[i]) return -1; if (x[i] > y[i]) return 1; } return 0; });
  if (open && $("rows").contains(open.host)) close();
  $("rows-said").textContent = rows.length === D.rows.length ? `${rows.length} rows` : `${rows.length} of ${D.rows.length} rows`;
  grow($("rows"), row, rows);
}
let sorting = { key: "n", down: false };
function takesTable() {
  const rank = { no_clean_mic: 2, other_mic: 1, nothing_found: 0 };
  const key = { n: (i) => i, tc: (i) => D.takes[i].start_timecode || "", length: (i) => D.takes[i].duration_s, verdict: (i) => rank[D.takes[i].verdict], worst: (i) => D.takes[i].counts[0] * 1e6 + D.takes[i].counts[1] * 1e3 + D.takes[i].counts[2] }[sorting.key];
  const order = D.takes.map((_, i) => i).sort((a, b) => { const x = key(a), y = key(b); return (x < y ? -1 : x > y ? 1 : a - b) * (sorting.down ? -1 : 1); });
  document.querySelectorAll("#takes th[aria-sort]").forEach((th) => th.setAttribute("aria-sort", th.firstElementChild.dataset.sort === sorting.key ? (sorting.down ? "descending" : "ascending") : "none"));
  if (open && $("takes-body").contains(open.host)) close();
  grow($("takes-body"), (i) => {
    const t = D.takes[i], [f, c, n] = t.counts, severity = f ? "fault" : c ? "caution" : n ? "note" : null;
    const found = [f && `${f} on a line`, c && `${c} for post`, n && `${n} for the log`].filter(Boolean).join(", ");
    const remarks = [t.circled && "circled", t.no_good && "no good", t.type && t.type !== "dialogue" && t.type, t.note].filter(Boolean).join(", ");
    stats.rows++;
    return h("tr", { id: "take-" + i }, h("th", { scope: "row" }, h("a", { href: "#t=" + encodeURIComponent(t.id), data: { take: i } }, clip(t.name, 60))), h("td", { class: "tc" }, t.start_timecode || ""), h("td", { class: "num" }, t.length), h("td", {}, t.answer), h("td", {}, severity ? sign(severity, found) : ""), h("td", {}, clip(remarks, 120)));
  }, order);
}
document.querySelectorAll("#takes th button").forEach((b) => b.addEventListener("click", () => { sorting = { key: b.dataset.sort, down: sorting.key === b.dataset.sort ? !sorting.down : b.dataset.sort === "worst" || b.dataset.sort === "verdict" }; takesTable(); }));

/* A take by itself: opened below the strip's list, in the table of takes. */
async function go(n, findingId) {
  if (SET) return;
  const fold = $("takes");
  if (!fold.open) { fold.open = true; lazyOpen(fold); }
  let tr = $("take-" + n);
  while (!tr && $("takes-body").more && $("takes-body").more.isConnected) { $("takes-body").more.click(); tr = $("take-" + n); }
  if (!tr) return;
  if (open && open.host === tr) { tr.scrollIntoView({ block: "start" }); if (!findingId) return; close(); }
  close();
  const cell = h("td", { colspan: "6" }), extra = h("tr", { class: "opened" }, cell);
  tr.after(extra);
  tr.scrollIntoView({ block: "start" });
  const job = expand(tr, null, n, findingId, cell);
  open.panel = extra;
  history.replaceState(null, "", findingId ? "#f=" + encodeURIComponent(findingId) : "#t=" + encodeURIComponent(D.takes[n].id));
  const view = await job;
  if (view) { const c = view.querySelector("canvas"); c && c.focus({ preventScroll: true }); }
}
function trendBody() {
  const box = $("trend-body");
  const rows = D.trends.filter((t) => t.points.length > 1);
  if (!rows.length) { box.append(h("p", { class: "none" }, "Too few takes of the same track names to show a trend.")); return; }
  const at = new Map(D.takes.map((t, i) => [t.id, (i + .5) / D.takes.length]));
  const most = Math.max(2, ...rows.flatMap((t) => t.points.map((p) => p.hits_per_min ?? 0)));
  const cell = (t, label, value, lo, hi, bars, unit) => {
    const values = t.points.map(value).filter((v) => v !== null && v !== undefined);
    const range = values.length ? `${minus(Math.min(...values), 1)} to ${minus(Math.max(...values), 1)} ${unit}` : "not measured";
    return h("div", {}, canvas(44, `${t.track_name}, ${label}: ${range}`, (g, w, hh, c) => {
      const y = (v) => 4 + (hh - 8) * (1 - Math.max(0, Math.min(1, (v - lo) / (hi - lo))));
      g.fillStyle = bars ? c.fault : c.ink; g.strokeStyle = c.body; g.beginPath();
      t.points.forEach((p) => { const v = value(p), x = (at.get(p.take) ?? 0) * (w - 6) + 3; if (v === null || v === undefined) return; if (bars) { if (v > 0) g.fillRect(x - 1.5, y(v), 3, y(0) - y(v)); } else { g.lineTo(x, y(v)); g.fillRect(x - 1.5, y(v) - 1.5, 3, 3); } });
      if (!bars) g.stroke();
    }), h("small", {}, range));
  };
  const grid = h("div", { class: "trend" }, h("b", {}, "Track"), h("b", {}, "Background, −90 to −30 dBFS"), h("b", {}, "Bandwidth, 0 to 24 kHz"), h("b", {}, "Hits a minute"));
  rows.slice(0, 60).forEach((t) => grid.append(h("span", {}, clip(t.track_name, 40)), cell(t, "background", (p) => p.noise_floor_dbfs, -90, -30, false, "dBFS"), cell(t, "bandwidth", (p) => p.bandwidth_hz === null ? null : p.bandwidth_hz / 1000, 0, 24, false, "kHz"), cell(t, "hits a minute", (p) => p.hits_per_min, 0, most * 1.1, true, "a minute")));
  box.append(grid);
}
function kindsBody() {
  const box = $("kinds-body");
  box.append(h("p", {}, "On a line: it lies on speech, is audible and cannot be taken out without loss. Tell post: they can put it right or must know. For the log: no action. Sure, likely, have a listen: how sure the finding is."));
  for (const [k, texts] of Object.entries(D.explain)) box.append(h("details", {}, h("summary", {}, kindName(k)), texts.filter(([, t]) => t).map(([title, text]) => h("p", {}, h("b", {}, title + ": "), text))));
}
const lazyParts = { rows: () => filter(), takes: () => takesTable(), trend: trendBody, kinds: kindsBody };
function lazyOpen(d) { if (d.open && d.dataset.lazy && !d.built) { d.built = true; lazyParts[d.dataset.lazy](); } }
document.querySelectorAll("details[data-lazy]").forEach((d) => d.addEventListener("toggle", () => lazyOpen(d)));

/* Keys */
let keysOn = true;
if ($("keys-on")) $("keys-on").addEventListener("change", (e) => { keysOn = e.target.checked; });
function lines() { return [...document.querySelectorAll(".line")].filter((l) => l.offsetParent !== null); }
document.addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.metaKey || e.altKey || e.target.closest("input, select, textarea, dialog[open]")) { if (e.key === "Escape" && e.target.id === "q") e.target.blur(); return; }
  if (e.key === "Escape") { const b = open && open.button; close(); if (b) b.focus(); return; }
  if (!keysOn) return;
  const step = (d) => { const all = lines(), at = all.indexOf(document.activeElement.closest(".row")?.querySelector(".line")); const next = all[Math.max(0, Math.min(all.length - 1, at < 0 ? (d > 0 ? 0 : all.length - 1) : at + d))]; if (next) { next.focus(); next.scrollIntoView({ block: "nearest" }); } };
  const play = (best) => { const b = open && open.panel.querySelector(`.play[data-best="${best}"]`); if (b) b.click(); };
  const act = {
    j: () => step(1), k: () => step(-1), p: () => play(false), b: () => play(true),
    n: () => open && open.view && open.view.move(1), N: () => open && open.view && open.view.move(-1),
    "/": () => { if (SET) return; $("all").open = true; lazyOpen($("all")); $("q").focus(); },
    "?": () => $("help").showModal(),
  }[e.key];
  if (act) { e.preventDefault(); act(); }
});
const strip = document.querySelector(".strip");
if (strip) strip.addEventListener("keydown", (e) => {
  const cells = [...strip.querySelectorAll("a")], at = cells.indexOf(document.activeElement), to = { ArrowRight: at + 1, ArrowLeft: at - 1, Home: 0, End: cells.length - 1 }[e.key];
  if (at < 0 || to === undefined || !cells[to]) return;
  e.preventDefault(); cells[at].tabIndex = -1; cells[to].tabIndex = 0; cells[to].focus();
});

/* Deep links: #t=take id, #f=finding id */
function follow() {
  const m = /^#([tf])=(.+)$/.exec(location.hash);
  if (!m) return;
  let id; try { id = decodeURIComponent(m[2]); } catch { return; }
  const holder = (t) => m[1] === "t" ? t.id === id : id.startsWith(t.id + "-");
  // The longest id wins: "…-2" is another take than "…".
  let best = -1;
  D.takes.forEach((t, i) => { if (holder(t) && (best < 0 || t.id.length > D.takes[best].id.length)) best = i; });
  if (best < 0) return;
  if (m[1] === "f" || SET) {
    const r = D.rows.find((r) => m[1] === "f" ? r.findings.includes(id) : r.takes[0] === best), li = r && document.querySelector(`#first-rows [data-row="${r.n}"]`);
    if (li) { if (!(open && open.host === li)) { openRow(li); li.scrollIntoView({ block: "start" }); } return; }
  }
  go(best, m[1] === "f" ? id : undefined);
}
window.addEventListener("hashchange", follow);
if (!SET) setUpFilter();
follow();
stats.ready = performance.now();
document.documentElement.dataset.ready = "true";
})();
