// Colours, marker shapes and type of all charts; the colours themselves stand in style.css.
"use strict";

const SHAPES = ["disc", "square", "triangle", "diamond", "cross", "ring", "bar", "wedge"];
const DATA = JSON.parse(document.getElementById("ride-data").textContent);
const NARROW = 620;

function colours() {
  const style = getComputedStyle(document.documentElement);
  const of = (name) => style.getPropertyValue(name).trim();
  return {
    paper: of("--paper"), ink: of("--ink"), muted: of("--muted"), hairline: of("--hairline"),
    lines: [0, 1, 2, 3, 4, 5, 6, 7].map((n) => of(`--line-${n}`)),
  };
}

// `scale` multiplies type and strokes: 1 on the page, larger in a saved picture.
function lookOf(scale) {
  const family = getComputedStyle(document.body).fontFamily;
  return { ...colours(), scale, font: (px, weight = "") => `${weight} ${Math.round(px * scale)}px ${family}`.trim() };
}

function lineColour(look, number) {
  return look.lines[number % look.lines.length];
}

function drawMarker(ctx, shape, x, y, r, colour, paper) {
  ctx.save();
  ctx.fillStyle = colour;
  ctx.strokeStyle = paper;
  ctx.lineWidth = r / 3;
  ctx.beginPath();
  if (shape === "square") ctx.rect(x - r * 0.85, y - r * 0.85, r * 1.7, r * 1.7);
  else if (shape === "triangle") polygon(ctx, [[x, y - r * 1.15], [x + r * 1.1, y + r * 0.8], [x - r * 1.1, y + r * 0.8]]);
  else if (shape === "wedge") polygon(ctx, [[x, y + r * 1.15], [x + r * 1.1, y - r * 0.8], [x - r * 1.1, y - r * 0.8]]);
  else if (shape === "diamond") polygon(ctx, [[x, y - r * 1.3], [x + r * 1.3, y], [x, y + r * 1.3], [x - r * 1.3, y]]);
  else if (shape === "bar") ctx.rect(x - r * 0.45, y - r * 1.3, r * 0.9, r * 2.6);
  else if (shape === "cross") {
    const a = r * 0.4, b = r * 1.2;
    polygon(ctx, [[x - a, y - b], [x + a, y - b], [x + a, y - a], [x + b, y - a], [x + b, y + a], [x + a, y + a],
      [x + a, y + b], [x - a, y + b], [x - a, y + a], [x - b, y + a], [x - b, y - a], [x - a, y - a]]);
  } else ctx.arc(x, y, r, 0, 2 * Math.PI);
  if (shape === "ring") {
    ctx.fillStyle = paper;
    ctx.strokeStyle = colour;
    ctx.lineWidth = r * 0.7;
  }
  ctx.fill();
  ctx.stroke();
  ctx.restore();
}

function polygon(ctx, points) {
  points.forEach(([x, y], n) => (n ? ctx.lineTo(x, y) : ctx.moveTo(x, y)));
  ctx.closePath();
}

function markerCanvas(number, look) {
  const canvas = document.createElement("canvas");
  const ratio = devicePixelRatio || 1;
  canvas.width = 34 * ratio;
  canvas.height = 16 * ratio;
  canvas.className = "swatch";
  const ctx = canvas.getContext("2d");
  ctx.scale(ratio, ratio);
  ctx.strokeStyle = lineColour(look, number);
  ctx.lineWidth = 2;
  ctx.beginPath();
  ctx.moveTo(0, 8);
  ctx.lineTo(34, 8);
  ctx.stroke();
  drawMarker(ctx, SHAPES[number % SHAPES.length], 17, 8, 4.5, lineColour(look, number), look.paper);
  return canvas;
}

function rideTime(seconds) {
  const whole = Math.round(seconds);
  const two = (n) => String(n).padStart(2, "0");
  const h = Math.floor(whole / 3600), m = Math.floor(whole / 60) % 60, s = whole % 60;
  return h ? `${h}:${two(m)}:${two(s)}` : `${m}:${two(s)}`;
}

function signed(value, digits = 0) {
  const text = Math.abs(value).toFixed(digits);
  return Number(text) === 0 ? "0" : (value < 0 ? "\u2212" : "+") + text;
}

function axisOf(look, more) {
  return {
    stroke: look.muted, font: look.font(12.5), gap: 5 * look.scale, labelGap: 0,
    grid: { stroke: look.hairline, width: look.scale },
    ticks: { stroke: look.hairline, width: look.scale, size: 5 * look.scale },
    ...more,
  };
}

function timeAxis(look) {
  return axisOf(look, {
    size: 30 * look.scale, space: 68 * look.scale,
    incrs: [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600],
    values: (u, splits) => splits.map(rideTime),
  });
}
