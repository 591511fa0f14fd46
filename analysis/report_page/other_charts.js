// Charts not along the ride's time: difference against mean power, and sprints from one time zero.
"use strict";

function agreementOptions(look, width, height, meter, number) {
  const { limits } = DATA.agreement[meter], colour = lineColour(look, number), ends = DATA.agreement_axes;
  return {
    width, height, legend: { show: false }, cursor: { show: false }, padding: [12 * look.scale, 12 * look.scale, 0, 0],
    scales: { x: { time: false, range: ends.mean_w }, y: { range: ends.difference_w } },
    axes: [
      axisOf(look, { size: 48 * look.scale, space: 58 * look.scale, label: "mean of both, W", labelFont: look.font(12.5),
        labelSize: 20 * look.scale }),
      axisOf(look, { size: 50 * look.scale, space: 34 * look.scale, values: (u, splits) => splits.map((v) => signed(v)) }),
    ],
    series: [{}, { stroke: colour, paths: () => null, points: { show: true, size: 3.6 * look.scale, width: 0, space: 0, fill: colour + "88" } }],
    hooks: { draw: [(u) => drawLimits(u, look, limits)] },
  };
}

function drawLimits(u, look, limits) {
  const { ctx, bbox } = u, ratio = uPlot.pxRatio || devicePixelRatio, px = look.scale * ratio;
  ctx.save();
  ctx.strokeStyle = ctx.fillStyle = look.ink;
  ctx.font = look.font(12 * ratio, "600");
  for (const { label, value, kind } of limits) {
    // The mean's label stands left, the limits' right, outside of them: near lines do not cover each other's.
    const left = kind === "mean", place = left ? bbox.left + 4 * px : bbox.left + bbox.width - 4 * px;
    ctx.textAlign = left ? "left" : "right";
    ctx.textBaseline = kind === "lower" ? "top" : "bottom";
    const y = u.valToPos(value, "y", true);
    if (y < bbox.top || y > bbox.top + bbox.height) continue;
    ctx.lineWidth = (left ? 2 : 1.3) * px;
    ctx.setLineDash(left ? [] : [6 * px, 4 * px]);
    line(ctx, bbox.left, bbox.left + bbox.width, y);
    ctx.lineWidth = 4 * px;
    ctx.setLineDash([]);
    ctx.strokeStyle = look.paper;
    const beside = y + (kind === "lower" ? 4 : -4) * px;
    ctx.strokeText(label, place, beside);
    ctx.strokeStyle = look.ink;
    ctx.fillText(label, place, beside);
  }
  ctx.restore();
}

// One axis for all sprints, so that they can be compared by eye.
function sprintTop() {
  const all = DATA.sprints.flatMap((sprint) => Object.values(sprint.power_w).flat());
  return Math.max(100, ...all.filter((v) => v != null)) * 1.06;
}

function sprintOptions(look, width, height, sprint, numbers) {
  const names = Object.keys(sprint.power_w);
  const options = linesOptions(look, width, height, names, numbers, { range: () => [0, sprintTop()], cursor: { show: false } });
  options.padding[0] = 12 * look.scale;
  options.axes[0].values = (u, splits) => splits.map((v) => `${signed(v)}\u202fs`);
  options.hooks.draw = [(u) => {
    const px = look.scale * (uPlot.pxRatio || devicePixelRatio), x = u.valToPos(0, "x", true);
    u.ctx.save();
    u.ctx.strokeStyle = look.ink;
    u.ctx.lineWidth = px;
    u.ctx.setLineDash([4 * px, 4 * px]);
    u.ctx.beginPath();
    u.ctx.moveTo(x, u.bbox.top);
    u.ctx.lineTo(x, u.bbox.top + u.bbox.height);
    u.ctx.stroke();
    u.ctx.restore();
    drawMarkers(u, look, numbers);
    if (width / look.scale > NARROW) drawNames(u, look, numbers, names);
  }];
  return options;
}
