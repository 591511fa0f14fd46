// Charts along the time of the ride: all meters over each other, and each meter's difference below; one range for all.
"use strict";

const timeCharts = [];
const range = { min: 0, max: Math.max(DATA.end_s, 1) };

function timesOf(step_s, count) {
  return Array.from({ length: count }, (_, n) => n * step_s);
}

function setRange(min, max) {
  const whole = Math.max(DATA.end_s, 1), least = Math.min(5, whole);
  let width = Math.min(Math.max(max - min, least), whole);
  min = Math.min(Math.max(0, min), whole - width);
  range.min = min;
  range.max = min + width;
  for (const chart of timeCharts) chart.setScale("x", { min: range.min, max: range.max });
}

const wholeRide = () => setRange(0, DATA.end_s);
const panBy = (share) => setRange(range.min + share * (range.max - range.min), range.max + share * (range.max - range.min));

function zoomBy(factor, at = (range.min + range.max) / 2) {
  setRange(at - (at - range.min) * factor, at + (range.max - at) * factor);
}

// Segments are thin marks above the plot with their names where these fit; nothing of the plot is covered.
function drawSegments(u, look, withNames) {
  const { ctx, bbox } = u, ratio = uPlot.pxRatio || devicePixelRatio, px = look.scale * ratio;
  ctx.save();
  ctx.strokeStyle = look.muted;
  ctx.fillStyle = look.muted;
  ctx.font = look.font(11.5 * ratio);
  ctx.textAlign = "left";
  ctx.textBaseline = "bottom";
  for (const segment of DATA.segments) {
    const left = u.valToPos(segment.start_s, "x", true), right = u.valToPos(segment.stop_s, "x", true);
    const from = Math.max(left, bbox.left), to = Math.min(right, bbox.left + bbox.width);
    if (to <= from) continue;
    ctx.globalAlpha = 0.45;
    ctx.lineWidth = px;
    ctx.beginPath();
    for (const x of [left, right]) {
      if (x < bbox.left || x > bbox.left + bbox.width) continue;
      ctx.moveTo(x, bbox.top - (withNames ? 7 * px : 0));
      ctx.lineTo(x, bbox.top + (withNames ? 0 : bbox.height));
    }
    if (withNames) {
      ctx.moveTo(from, bbox.top - 7 * px);
      ctx.lineTo(to, bbox.top - 7 * px);
    }
    ctx.stroke();
    ctx.globalAlpha = 1;
    if (withNames) {
      const name = fitted(ctx, segment.name, to - from - 6 * px);
      ctx.fillText(name, from + 2 * px, bbox.top - 9 * px);
    }
  }
  ctx.restore();
}

function fitted(ctx, words, width) {
  if (ctx.measureText(words).width <= width) return words;
  let length = words.length;
  while (length > 2 && ctx.measureText(words.slice(0, length) + "…").width > width) length -= 1;
  return length > 2 ? words.slice(0, length) + "…" : "";
}

// Markers at even distances tell lines apart without colour; each meter's stand elsewhere.
function drawMarkers(u, look, numbers) {
  const px = look.scale * (uPlot.pxRatio || devicePixelRatio), every = 150 * px;
  numbers.forEach((number, index) => {
    if (!u.series[index + 1].show) return;
    const xs = u.data[0], ys = u.data[index + 1];
    for (let x = u.bbox.left + every * ((index + 0.5) / numbers.length); x < u.bbox.left + u.bbox.width; x += every) {
      const at = nearest(xs, u.posToVal(x, "x", true));
      const y = ys[at];
      if (y == null) continue;
      const place = u.valToPos(y, "y", true);
      if (place < u.bbox.top || place > u.bbox.top + u.bbox.height) continue;
      drawMarker(u.ctx, SHAPES[number % SHAPES.length], u.valToPos(xs[at], "x", true), place, 4.2 * px,
        lineColour(look, number), look.paper);
    }
  });
}

function nearest(xs, value) {
  let low = 0, high = xs.length - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (xs[middle] < value) low = middle;
    else high = middle;
  }
  return value - xs[low] < xs[high] - value ? low : high;
}

// Names beside the ends of their lines, pushed apart so that none covers another.
function drawNames(u, look, numbers, names) {
  const { ctx, bbox } = u, ratio = uPlot.pxRatio || devicePixelRatio, px = look.scale * ratio, line = 17 * px;
  const right = bbox.left + bbox.width;
  const labels = [];
  numbers.forEach((number, index) => {
    if (!u.series[index + 1].show) return;
    const ys = u.data[index + 1];
    let at = nearest(u.data[0], u.scales.x.max);
    const first = Math.max(0, nearest(u.data[0], u.scales.x.min));
    while (at > first && ys[at] == null) at -= 1;
    if (ys[at] == null) return;
    const y = Math.min(Math.max(u.valToPos(ys[at], "y", true), bbox.top), bbox.top + bbox.height);
    labels.push({ number, name: names[index], y, at: y });
  });
  labels.sort((a, b) => a.y - b.y);
  for (let n = 1; n < labels.length; n += 1) labels[n].at = Math.max(labels[n].at, labels[n - 1].at + line);
  const over = labels.length ? labels[labels.length - 1].at - (bbox.top + bbox.height) : 0;
  if (over > 0) labels.forEach((label) => (label.at -= over));
  ctx.save();
  ctx.font = look.font(12.5 * ratio, "600");
  ctx.textAlign = "left";
  ctx.textBaseline = "middle";
  for (const { number, name, y, at } of labels) {
    ctx.strokeStyle = ctx.fillStyle = lineColour(look, number);
    ctx.lineWidth = px;
    ctx.beginPath();
    ctx.moveTo(right + 2 * px, y);
    ctx.lineTo(right + 10 * px, at);
    ctx.stroke();
    drawMarker(ctx, SHAPES[number % SHAPES.length], right + 17 * px, at, 4.2 * px, lineColour(look, number), look.paper);
    ctx.fillText(fitted(ctx, name, 78 * px), right + 26 * px, at);
  }
  ctx.restore();
}

function linesOptions(look, width, height, names, numbers, options) {
  const wide = width / look.scale > NARROW;
  return {
    width, height, legend: { show: false }, padding: [30 * look.scale, wide ? 108 * look.scale : 8, 0, 0],
    scales: { x: { time: false }, y: { range: options.range } },
    axes: [timeAxis(look), axisOf(look, { size: 52 * look.scale, space: 42 * look.scale,
      values: (u, splits) => splits.map((v) => `${v}`.replace("-", "\u2212")) })],
    series: [{}, ...names.map((name, n) => ({
      label: name, stroke: lineColour(look, numbers[n]), width: (numbers[n] ? 1.4 : 2) * look.scale, points: { show: false },
    }))],
    hooks: {
      draw: [(u) => {
        drawSegments(u, look, true);
        drawMarkers(u, look, numbers);
        if (wide) drawNames(u, look, numbers, names);
      }],
      setCursor: options.setCursor ? [options.setCursor] : [],
    },
    cursor: options.cursor,
  };
}

function powerRange(u, min, max) {
  if (min == null) return [0, 100];
  const whole = u.scales.x.max - u.scales.x.min > 0.95 * DATA.end_s;
  const room = Math.max((max - min) * 0.06, 4);
  return [whole ? Math.min(0, min) : Math.max(min - room, Math.min(0, min)), max + room];
}

// Outliers of a second must not flatten the rest: without the outermost 4 %, but with every segment's mean.
function differenceRange(u, meter) {
  const values = DATA.difference.series[meter];
  const from = nearest(u.data[0], u.scales.x.min ?? 0), to = nearest(u.data[0], u.scales.x.max ?? DATA.end_s);
  const step = Math.max(1, Math.floor((to - from) / 1500)), seen = [];
  for (let n = from; n <= to; n += step) if (values[n] != null) seen.push(values[n]);
  seen.sort((a, b) => a - b);
  const at = (share) => seen[Math.round(share * (seen.length - 1))] ?? 0;
  const means = (DATA.segment_means[meter] ?? [])
    .filter((s) => s.stop_s > u.data[0][from] && s.start_s < u.data[0][to]).map((s) => s.mean_w);
  const low = Math.min(at(0.02), -10, ...means), high = Math.max(at(0.98), 10, ...means), room = (high - low) * 0.15;
  return [low - room, high + room];
}

function differenceOptions(look, width, height, meter, number, options) {
  const colour = lineColour(look, number);
  return {
    width, height, legend: { show: false },
    padding: [8 * look.scale, width / look.scale > NARROW ? 108 * look.scale : 8, 0, 0],
    scales: { x: { time: false }, y: { range: (u) => differenceRange(u, meter) } },
    axes: [timeAxis(look), axisOf(look, { size: 52 * look.scale, space: 28 * look.scale,
      values: (u, splits) => splits.map((v) => signed(v)) })],
    series: [{}, { label: meter, stroke: colour + "99", width: look.scale, points: { show: false } }],
    hooks: {
      drawClear: [(u) => drawSegments(u, look, false)],
      draw: [(u) => drawSegmentMeans(u, look, meter, colour)],
      setCursor: options.setCursor ? [options.setCursor] : [],
    },
    cursor: options.cursor,
  };
}

function drawSegmentMeans(u, look, meter, colour) {
  const { ctx, bbox } = u, px = look.scale * (uPlot.pxRatio || devicePixelRatio);
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  ctx.strokeStyle = look.ink;
  ctx.lineWidth = px;
  const zero = u.valToPos(0, "y", true);
  ctx.beginPath();
  ctx.moveTo(bbox.left, zero);
  ctx.lineTo(bbox.left + bbox.width, zero);
  ctx.stroke();
  for (const { start_s, stop_s, mean_w, half_width_w } of DATA.segment_means[meter] ?? []) {
    const left = u.valToPos(start_s, "x", true), right = u.valToPos(stop_s, "x", true);
    const y = u.valToPos(mean_w, "y", true);
    ctx.lineWidth = 5.5 * px;
    ctx.strokeStyle = look.paper;
    line(ctx, left, right, y);
    ctx.lineWidth = 3 * px;
    ctx.strokeStyle = colour;
    line(ctx, left, right, y);
    if (half_width_w == null) continue;
    const middle = (left + right) / 2, low = u.valToPos(mean_w - half_width_w, "y", true);
    const high = u.valToPos(mean_w + half_width_w, "y", true);
    ctx.lineWidth = 2 * px;
    ctx.beginPath();
    ctx.moveTo(middle, low);
    ctx.lineTo(middle, high);
    for (const end of [low, high]) {
      ctx.moveTo(middle - 4 * px, end);
      ctx.lineTo(middle + 4 * px, end);
    }
    ctx.stroke();
  }
  ctx.restore();
}

function line(ctx, left, right, y) {
  ctx.beginPath();
  ctx.moveTo(left, y);
  ctx.lineTo(right, y);
  ctx.stroke();
}
