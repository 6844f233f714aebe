// Drawing on canvas: the running trace, the foot, the bar's path, the force with its phases.
// Every drawing tells phases and marks apart by line, shape and word; colours come from the page's style.

// Outline of a sole from above in foot lengths (across, along), heel at 0, toes at 1; the same as in the reports.
const SOLE = [
  [0.06, 0.0], [0.1, 0.08], [0.105, 0.18], [0.09, 0.32], [0.085, 0.45], [0.11, 0.58], [0.155, 0.7], [0.165, 0.8], [0.15, 0.9],
  [0.11, 0.975], [0.06, 1.0], [0.01, 0.985], [-0.05, 0.95], [-0.115, 0.88], [-0.16, 0.78], [-0.17, 0.68], [-0.15, 0.55],
  [-0.125, 0.42], [-0.115, 0.28], [-0.11, 0.14], [-0.07, 0.0],
];
const TRACE_S = 8;
const LETTERS = "system-ui, 'Segoe UI', 'Noto Sans', 'DejaVu Sans', sans-serif";

/** Size a canvas to its box in device pixels; gives its context and size in page pixels. */
function prepare(canvas) {
  const ratio = devicePixelRatio || 1;
  const width = canvas.clientWidth;
  const height = canvas.clientHeight;
  const wide = Math.round(width * ratio);
  const tall = Math.round(height * ratio);
  if (canvas.width !== wide || canvas.height !== tall) {
    canvas.width = wide;
    canvas.height = tall;
  }
  const ink = canvas.getContext("2d");
  ink.setTransform(ratio, 0, 0, ratio, 0, 0);
  ink.clearRect(0, 0, width, height);
  ink.lineJoin = "round";
  return { ink, width, height };
}

/** Colours of the page as they are now, light or dark. */
function colours() {
  const style = getComputedStyle(document.documentElement);
  const of = (name) => style.getPropertyValue(`--${name}`).trim();
  return { ink: of("ink"), soft: of("soft"), line: of("line"), mark: of("mark"), warn: of("warn"), raised: of("raised"), ground: of("ground"), a: of("shade-a"), b: of("shade-b") };
}

function path(ink, xs, ys, from, to) {
  let open = false;
  ink.beginPath();
  for (let i = from; i < to; i += 1) {
    if (!Number.isFinite(xs[i]) || !Number.isFinite(ys[i])) { open = false; continue; }
    if (open) ink.lineTo(xs[i], ys[i]);
    else ink.moveTo(xs[i], ys[i]);
    open = true;
  }
  ink.stroke();
}

function words(ink, text, x, y, { size = 14, colour, align = "left", bold = false }) {
  ink.font = `${bold ? 650 : 400} ${size}px ${LETTERS}`;
  ink.fillStyle = colour;
  ink.textAlign = align;
  ink.fillText(text, x, y);
}

const place = (times, t) => {
  let low = 0;
  let high = times.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] < t) low = middle + 1;
    else high = middle;
  }
  return low;
};

// ------------------------------------------------------------------------------------------------ trace

/** Keep the last seconds of force and draw them when new ones came, once a frame of the screen. */
export function runningTrace(canvas) {
  const times = [];
  const forces = [];
  let top = 1000;
  let asked = false;
  let drawn = 0;

  const draw = () => {
    asked = false;
    drawn += 1;
    const { ink, width, height } = prepare(canvas);
    if (times.length < 2) return;
    const c = colours();
    const last = times[times.length - 1];
    const first = last - TRACE_S;
    const start = place(times, first);
    let peak = 0;
    for (let i = start; i < times.length; i += 1) peak = Math.max(peak, forces[i]);
    const wanted = Math.max(1000, Math.ceil((peak * 1.08) / 500) * 500);
    top = wanted > top ? wanted : Math.max(wanted, top - 25);
    const x = (t) => ((t - first) / TRACE_S) * (width - 8);
    const y = (f) => height - 10 - (f / top) * (height - 18);
    ink.strokeStyle = c.line;
    ink.lineWidth = 1;
    ink.beginPath();
    ink.moveTo(0, y(0));
    ink.lineTo(width, y(0));
    ink.stroke();
    ink.strokeStyle = c.ink;
    ink.lineWidth = 2;
    ink.beginPath();
    for (let i = start; i < times.length; i += 1) {
      if (i === start) ink.moveTo(x(times[i]), y(forces[i]));
      else ink.lineTo(x(times[i]), y(forces[i]));
    }
    ink.stroke();
    ink.fillStyle = c.ink;
    ink.beginPath();
    ink.arc(x(last), y(forces[forces.length - 1]), 4, 0, 7);
    ink.fill();
  };

  const later = () => {
    if (asked) return;
    asked = true;
    requestAnimationFrame(draw);
  };
  addEventListener("resize", later);
  addEventListener("theme", later);

  return {
    add(rows) {
      if (rows.length && times.length && rows[0] < times[times.length - 1] - 1) { times.length = 0; forces.length = 0; }
      for (let i = 0; i + 3 < rows.length; i += 4) { times.push(rows[i]); forces.push(rows[i + 1]); }
      const old = place(times, times[times.length - 1] - TRACE_S - 1);
      if (old > 1000) { times.splice(0, old); forces.splice(0, old); }
      later();
    },
    /** Frames drawn so far; for measurements. */
    get frames() { return drawn; },
  };
}

// ------------------------------------------------------------------------------------------------- foot

function rounded(corners) {
  let points = corners;
  for (let turn = 0; turn < 3; turn += 1) {
    points = points.flatMap(([x, y], i) => {
      const [u, v] = points[(i + 1) % points.length];
      return [[0.75 * x + 0.25 * u, 0.75 * y + 0.25 * v], [0.25 * x + 0.75 * u, 0.25 * y + 0.75 * v]];
    });
  }
  return points;
}
const OUTLINE = rounded(SOLE);

function shape(ink, kind, x, y, c) {
  ink.beginPath();
  if (kind === "ring") ink.arc(x, y, 6, 0, 7);
  else if (kind === "box") ink.rect(x - 6, y - 6, 12, 12);
  else { ink.moveTo(x, y - 8); ink.lineTo(x + 8, y); ink.lineTo(x, y + 8); ink.lineTo(x - 8, y); ink.closePath(); }
  ink.fillStyle = c.raised;
  ink.fill();
  ink.strokeStyle = c.ink;
  ink.lineWidth = 2.5;
  ink.stroke();
}

/** Pressure path on the sole, toes up: dotted in the dip, solid in the drive; ring stance, box lowest, diamond drive. */
export function drawFoot(canvas, curves) {
  const { ink, width, height } = prepare(canvas);
  const c = colours();
  const long = Math.max(60, Math.min(height - 44, (width - 104) / 0.36)); // the words beside it need their room
  const middle = Math.min(width * 0.36, 0.18 * long + 6);
  const x = (across) => middle + across * long;
  const floor = (height + 8 + long) / 2;
  const y = (along) => floor - along * long;
  ink.beginPath();
  OUTLINE.forEach(([across, along], i) => (i ? ink.lineTo(x(across), y(along)) : ink.moveTo(x(across), y(along))));
  ink.closePath();
  ink.fillStyle = c.a;
  ink.fill();
  ink.strokeStyle = c.soft;
  ink.lineWidth = 1.5;
  ink.stroke();
  words(ink, "heel", x(0), floor + 15, { size: 13, colour: c.soft, align: "center" });
  if (!curves?.along) {
    words(ink, "no pressure", x(0.24), y(0.5), { colour: c.soft });
    return;
  }
  const { t, along, across, at } = curves;
  const xs = across.map((v) => x(v));
  const ys = along.map((v) => y(v));
  const [onset, lowest, counted, end] = [at.onset, at.lowest, at.counted, at.end].map((s) => place(t, s));
  ink.lineWidth = 1.5;
  ink.strokeStyle = c.soft;
  path(ink, xs, ys, counted, end);
  ink.strokeStyle = c.mark;
  ink.lineWidth = 3.5;
  ink.setLineDash([2, 5]);
  path(ink, xs, ys, onset, lowest + 1);
  ink.setLineDash([]);
  path(ink, xs, ys, lowest, counted + 1);
  const marks = [["stance", "ring", curves.stance, 0], ["lowest", "box", along[lowest], across[lowest]], ["drive", "diamond", curves.drive, across[counted]]]
    .filter(([, , v]) => Number.isFinite(v));
  for (const [, kind, v, s] of marks) shape(ink, kind, x(Number.isFinite(s) ? s : 0), y(v), c);
  const spots = marks.map(([name, , v]) => ({ name, v, y: y(v) })).sort((p, q) => p.y - q.y);
  for (let i = 1; i < spots.length; i += 1) spots[i].y = Math.max(spots[i].y, spots[i - 1].y + 18);
  for (const spot of spots) {
    words(ink, `${spot.name} ${Math.round(100 * spot.v)} %`, x(0.2) + 4, spot.y + 5, { size: 14, colour: c.ink });
  }
}

// -------------------------------------------------------------------------------------------------- bar

/** Path of the bar seen from the lifter's left: front is left; dotted in the dip, solid in the drive. */
export function drawBar(canvas, curves) {
  const { ink, width, height } = prepare(canvas);
  const c = colours();
  if (!curves?.bar) {
    words(ink, curves?.stage === "first look" ? "comes in a moment" : "no bar path", width / 2, height / 2, { colour: c.soft, align: "center" });
    return;
  }
  const { t, forward, up } = curves.bar;
  const { at } = curves;
  const [onset, lowest, end] = [at.onset, at.lowest, at.end].map((s) => place(t, s));
  const last = Math.min(place(t, at.end + 0.2), t.length);
  const x0 = forward[onset];
  const z0 = up[onset];
  let reach = 0.04;
  let low = -0.05;
  let high = 0.1;
  for (let i = onset; i < last; i += 1) {
    reach = Math.max(reach, Math.abs(forward[i] - x0));
    low = Math.min(low, up[i] - z0);
    high = Math.max(high, up[i] - z0);
  }
  const scale = Math.min((height - 60) / (high - low), (width / 2 - 16) / (1.15 * reach));
  const x = (v) => width / 2 - (v - x0) * scale;
  const y = (v) => 30 + (height - 60 - (high - low) * scale) / 2 + (high - (v - z0)) * scale;
  ink.strokeStyle = c.line;
  ink.lineWidth = 1.5;
  ink.beginPath();
  ink.moveTo(width / 2, 24);
  ink.lineTo(width / 2, height - 22);
  ink.stroke();
  const xs = forward.map(x);
  const ys = up.map(y);
  ink.strokeStyle = c.soft;
  ink.lineWidth = 1.5;
  path(ink, xs, ys, end, last);
  ink.strokeStyle = c.mark;
  ink.lineWidth = 3.5;
  ink.setLineDash([2, 5]);
  path(ink, xs, ys, onset, lowest + 1);
  ink.setLineDash([]);
  path(ink, xs, ys, lowest, end + 1);
  shape(ink, "ring", xs[onset], ys[onset], c);
  shape(ink, "box", xs[lowest], ys[lowest], c);
  shape(ink, "diamond", xs[Math.min(end, t.length - 1)], ys[Math.min(end, t.length - 1)], c);
  words(ink, "front", 2, height - 4, { size: 13, colour: c.soft });
  words(ink, "back", width - 2, height - 4, { size: 13, colour: c.soft, align: "right" });
  const five = 0.05 * scale;
  ink.strokeStyle = c.soft;
  ink.lineWidth = 2;
  ink.beginPath();
  ink.moveTo(width / 2 - five / 2, height - 16);
  ink.lineTo(width / 2 + five / 2, height - 16);
  ink.stroke();
  words(ink, "5 cm", width / 2, height - 3, { size: 12, colour: c.soft, align: "center" });
}

// ------------------------------------------------------------------------------------------------ force

/** Force over dip, braking and drive, in multiples of the system weight. */
export function drawForce(canvas, curves) {
  const { ink, width, height } = prepare(canvas);
  const c = colours();
  if (!curves?.force) {
    words(ink, "no force curve", width / 2, height / 2, { colour: c.soft, align: "center" });
    return;
  }
  const { t, force, at, weight } = curves;
  const first = at.onset - 0.3;
  const last = at.end + 0.3;
  const from = place(t, first);
  const to = place(t, last);
  let peak = 2 * weight;
  for (let i = from; i < to; i += 1) peak = Math.max(peak, force[i]);
  const left = 34;
  const x = (s) => left + ((s - first) / (last - first)) * (width - left - 4);
  const y = (f) => height - 6 - (f / (1.03 * peak)) * (height - 44);
  const phases = [["unweighting", at.onset, at.braking, c.a], ["braking", at.braking, at.lowest, c.b], ["drive", at.lowest, at.end, c.a]];
  for (const [name, a, b, shade] of phases) {
    ink.fillStyle = shade;
    ink.fillRect(x(a), 22, x(b) - x(a), height - 28);
    const room = x(b) - x(a);
    const size = name.length * 7 < room ? 13 : 11;
    if (name.length * 5.5 < room) words(ink, name, (x(a) + x(b)) / 2, 36, { size, colour: c.ink, align: "center" });
  }
  for (const s of [at.onset, at.braking, at.lowest, at.end]) {
    ink.strokeStyle = c.line;
    ink.lineWidth = 1;
    ink.beginPath();
    ink.moveTo(x(s), 22);
    ink.lineTo(x(s), height - 6);
    ink.stroke();
  }
  ink.setLineDash([6, 5]);
  for (const n of [1, 2]) {
    ink.strokeStyle = c.soft;
    ink.beginPath();
    ink.moveTo(left, y(n * weight));
    ink.lineTo(width, y(n * weight));
    if (n === 1) ink.stroke();
    words(ink, `${n} ×`, left - 6, y(n * weight) + 5, { size: 13, colour: c.soft, align: "right" });
  }
  ink.setLineDash([]);
  ink.strokeStyle = c.mark;
  ink.lineWidth = 2.5;
  const window = t.slice(from, to);
  path(ink, window.map(x), Array.from(force.slice(from, to), y), 0, window.length);
}

