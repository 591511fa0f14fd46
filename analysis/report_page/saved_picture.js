// Any chart as a PNG of 1920 × 1080 with large type, title and source, for a film or an article.
"use strict";

const PICTURE = { width: 1920, height: 1080, side: 80, top: 190, bottom: 84 };

async function savePicture(figure) {
  const canvas = document.createElement("canvas");
  canvas.width = PICTURE.width;
  canvas.height = PICTURE.height;
  const ctx = canvas.getContext("2d");
  ctx.fillStyle = colours().paper;
  ctx.fillRect(0, 0, PICTURE.width, PICTURE.height);
  writeAround(ctx, figure);
  const room = { x: PICTURE.side, y: PICTURE.top, width: PICTURE.width - 2 * PICTURE.side, height: PICTURE.height - PICTURE.top - PICTURE.bottom };
  if (figure.chart) await paintChart(ctx, figure, room);
  else await paintDrawing(ctx, figure.querySelector("svg"), room);
  const blob = await new Promise((done) => canvas.toBlob(done, "image/png"));
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = `${figure.dataset.file}.png`;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}

function writeAround(ctx, figure) {
  const { ink, muted } = colours(), serif = getComputedStyle(document.querySelector("h1")).fontFamily;
  const sans = getComputedStyle(document.body).fontFamily, width = PICTURE.width - 2 * PICTURE.side;
  ctx.fillStyle = ink;
  ctx.font = `600 54px ${serif}`;
  ctx.fillText(fitted(ctx, figure.dataset.title, width), PICTURE.side, 92);
  ctx.fillStyle = muted;
  ctx.font = `32px ${sans}`;
  ctx.fillText(fitted(ctx, figure.dataset.note ?? "", width), PICTURE.side, 146);
  ctx.font = `22px ${sans}`;
  ctx.fillText(fitted(ctx, DATA.source, width), PICTURE.side, PICTURE.height - 34);
}

async function paintChart(ctx, figure, room) {
  const ratio = devicePixelRatio || 1, scale = 2.3 / ratio, beside = document.createElement("div");
  const { options, data } = figure.chart(lookOf(scale), room.width / ratio, room.height / ratio);
  // Out of sight, but in the page: only there fonts are resolved.
  beside.className = "out-of-sight";
  document.body.append(beside);
  const u = new uPlot(options, data, beside);
  if (figure.alongTime) u.setScale("x", { min: range.min, max: range.max });
  await new Promise((done) => setTimeout(done, 0));
  ctx.drawImage(u.ctx.canvas, room.x, room.y, room.width, room.height);
  u.destroy();
  beside.remove();
}

// A drawing outside the page has no style sheet: what it looks like goes along as attributes.
const KEPT = ["fill", "fill-opacity", "stroke", "stroke-width", "stroke-dasharray", "font-family", "font-size", "font-weight"];

async function paintDrawing(ctx, svg, room) {
  const copy = svg.cloneNode(true), [, , width, height] = svg.getAttribute("viewBox").split(" ").map(Number);
  const from = svg.querySelectorAll("*"), to = copy.querySelectorAll("*");
  from.forEach((element, n) => {
    const style = getComputedStyle(element);
    for (const name of KEPT) to[n].setAttribute(name, style.getPropertyValue(name));
  });
  const scale = Math.min(room.width / width, room.height / height);
  copy.setAttribute("xmlns", "http://www.w3.org/2000/svg");
  copy.setAttribute("width", width * scale);
  copy.setAttribute("height", height * scale);
  const image = new Image();
  image.src = "data:image/svg+xml;charset=utf-8," + encodeURIComponent(new XMLSerializer().serializeToString(copy));
  await image.decode();
  ctx.drawImage(image, room.x + (room.width - width * scale) / 2, room.y + (room.height - height * scale) / 2);
}
