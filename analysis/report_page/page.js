// Puts the charts into the page, draws them anew for another width, scheme or paper, and shows values at the cursor.
"use strict";

const PRINT_WIDTH = 690;
const figures = [];

function numbersOf(names) {
  return names.map((name) => Math.max(0, DATA.meters.indexOf(name)));
}

function lines(part, options) {
  const names = Object.keys(part.series), values = names.map((name) => part.series[name]);
  const data = [timesOf(part.step_s, Math.max(0, ...values.map((v) => v.length))), ...values];
  return (look, width, height) => ({ options: linesOptions(look, width, height, names, numbersOf(names), options()), data });
}

function difference(meter) {
  const values = DATA.difference.series[meter], number = numbersOf([meter])[0];
  return (look, width, height) => ({
    options: differenceOptions(look, width, height, meter, number, { cursor: timeCursor(), setCursor: showValues }),
    data: [timesOf(DATA.difference.step_s, values.length), values],
  });
}

const KINDS = {
  power: () => lines(DATA.power, () => ({ range: powerRange, cursor: timeCursor(), setCursor: showValues })),
  cadence: () => lines(DATA.cadence, () => ({ range: powerRange, cursor: timeCursor(), setCursor: showValues })),
  difference: (figure) => difference(figure.dataset.meter),
  agreement: (figure) => {
    const { mean_w, difference_w } = DATA.agreement[figure.dataset.meter], number = numbersOf([figure.dataset.meter])[0];
    return (look, width, height) => ({ options: agreementOptions(look, width, height, figure.dataset.meter, number), data: [mean_w, difference_w] });
  },
  sprint: (figure) => {
    const sprint = DATA.sprints[Number(figure.dataset.number)], names = Object.keys(sprint.power_w);
    return (look, width, height) => ({
      options: sprintOptions(look, width, height, sprint, numbersOf(names)), data: [sprint.time_s, ...names.map((n) => sprint.power_w[n])],
    });
  },
};
const ALONG_TIME = new Set(["power", "cadence", "difference"]);

function place(figure, printed) {
  const holder = figure.querySelector(".plot"), height = Number(figure.dataset.height);
  const old = figure.plot;
  const width = printed && holder.clientWidth > PRINT_WIDTH ? PRINT_WIDTH : holder.clientWidth;
  const { options, data } = figure.chart(lookOf(1), width, height);
  if (figure.alongTime) options.hooks.setSelect = [afterDrag];
  const u = new uPlot(options, data, holder);
  figure.plot = u;
  if (old) {
    if (figure.alongTime) timeCharts.splice(timeCharts.indexOf(old), 1);
    old.series.forEach((series, n) => { if (n && !series.show) u.setSeries(n, { show: false }); });
    old.destroy();
  }
  if (!figure.alongTime) return;
  timeCharts.push(u);
  u.setScale("x", { min: range.min, max: range.max });
  takeWheel(u);
  takeTouch(u);
}

function placeAll(printed = false) {
  for (const figure of figures) if (figure.plot || printed) place(figure, printed);
  for (const list of document.querySelectorAll(".legend")) {
    const look = lookOf(1);
    list.querySelectorAll("button").forEach((button) => {
      button.querySelector("canvas")?.remove();
      button.prepend(markerCanvas(numbersOf([button.dataset.name])[0], look));
    });
  }
}

function showValues(u) {
  const at = u.cursor.idx;
  for (const figure of figures) {
    if (!figure.alongTime || !figure.plot) continue;
    for (const [n, button] of (figure.legend ?? []).entries()) {
      const ys = figure.plot.data[n + 1], index = at == null ? null : nearest(figure.plot.data[0], u.data[0][at]);
      const value = index == null ? null : ys[index];
      button.querySelector("output").textContent = value == null ? "" : `${value}`.replace("-", "\u2212");
    }
  }
  const time = at == null ? "" : rideTime(u.data[0][at]);
  for (const shown of document.querySelectorAll(".at-cursor")) shown.textContent = time;
}

function takeLegend(figure) {
  const list = figure.querySelector(".legend");
  if (!list) return;
  figure.legend = [...list.querySelectorAll("button")];
  figure.legend.forEach((button, n) => button.addEventListener("click", () => {
    const show = button.getAttribute("aria-pressed") !== "true";
    button.setAttribute("aria-pressed", String(show));
    figure.plot?.setSeries(n + 1, { show });
  }));
}

function start() {
  // Charts below the fold wait until they come near: a long page opens as fast as a short one.
  const near = new IntersectionObserver((seen) => {
    for (const { target, isIntersecting } of seen) {
      if (isIntersecting && !target.plot) place(target, false);
    }
  }, { rootMargin: "400px" });
  for (const figure of document.querySelectorAll("figure[data-file]")) {
    figure.querySelector("button.save")?.addEventListener("click", () => savePicture(figure));
    const kind = KINDS[figure.dataset.kind];
    if (!kind) continue;
    figure.chart = kind(figure);
    figure.alongTime = ALONG_TIME.has(figure.dataset.kind);
    figures.push(figure);
    takeLegend(figure);
    if (figure.alongTime) takeKeys(figure);
    near.observe(figure);
  }
  document.querySelectorAll(".hands").forEach(takeButtons);
  placeAll();
  let width = innerWidth, waiting = 0;
  addEventListener("resize", () => {
    if (innerWidth === width) return;
    width = innerWidth;
    clearTimeout(waiting);
    waiting = setTimeout(() => placeAll(), 120);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => placeAll());
  addEventListener("beforeprint", () => {
    document.documentElement.classList.add("on-paper");
    document.querySelectorAll("details").forEach((part) => { part.dataset.was = part.open ? "open" : ""; part.open = true; });
    placeAll(true);
  });
  addEventListener("afterprint", () => {
    document.documentElement.classList.remove("on-paper");
    document.querySelectorAll("details").forEach((part) => { part.open = part.dataset.was === "open"; });
    placeAll();
  });
  document.documentElement.classList.add("drawn");
}

start();
