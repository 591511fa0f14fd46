// Mouse, wheel, touch and keys on the charts along time; a drag zooms in time and gives no figures.
"use strict";

const syncKey = uPlot.sync("ride");

function timeCursor() {
  return {
    sync: { key: syncKey.key, setSeries: false }, y: false, points: { show: false },
    drag: { x: true, y: false, setScale: false },
    bind: { dblclick: () => () => { wholeRide(); return null; } },
  };
}

function afterDrag(u) {
  if (u.select.width > 6) {
    setRange(u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x"));
  }
  if (u.select.width > 0) u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
}

function takeWheel(u) {
  u.over.addEventListener("wheel", (event) => {
    const sideways = event.shiftKey ? event.deltaY || event.deltaX : event.deltaX;
    if (event.ctrlKey || event.metaKey) {
      event.preventDefault();
      const left = event.clientX - u.over.getBoundingClientRect().left;
      zoomBy(Math.exp(Math.max(-1, Math.min(1, event.deltaY / 240))), u.posToVal(left, "x"));
    } else if (Math.abs(sideways) > Math.abs(event.shiftKey ? 0 : event.deltaY)) {
      event.preventDefault();
      panBy(sideways / u.over.clientWidth);
    }
  }, { passive: false });
}

// One finger pans along time (up and down still scrolls the page), two zoom; a double tap shows the whole ride.
function takeTouch(u) {
  const fingers = new Map();
  let before = null, lastTap = 0;
  const spread = () => {
    const xs = [...fingers.values()];
    return { middle: xs.reduce((a, b) => a + b, 0) / xs.length, apart: Math.max(...xs) - Math.min(...xs), count: xs.length };
  };
  u.over.addEventListener("pointerdown", (event) => {
    if (event.pointerType !== "touch") return;
    fingers.set(event.pointerId, event.clientX);
    before = spread();
    if (event.timeStamp - lastTap < 300 && fingers.size === 1) wholeRide();
    lastTap = event.timeStamp;
  });
  u.over.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId)) return;
    fingers.set(event.pointerId, event.clientX);
    const now = spread();
    if (now.count === before.count) {
      const width = u.over.clientWidth;
      panBy((before.middle - now.middle) / width);
      if (now.count > 1 && now.apart > 10 && before.apart > 10) {
        const left = now.middle - u.over.getBoundingClientRect().left;
        zoomBy(before.apart / now.apart, u.posToVal(left, "x"));
      }
    }
    before = now;
  });
  for (const end of ["pointerup", "pointercancel", "pointerleave"]) {
    u.over.addEventListener(end, (event) => {
      fingers.delete(event.pointerId);
      before = fingers.size ? spread() : null;
    });
  }
}

function takeKeys(element) {
  const keys = {
    ArrowLeft: () => panBy(-0.2), ArrowRight: () => panBy(0.2), "+": () => zoomBy(0.6), "=": () => zoomBy(0.6),
    "-": () => zoomBy(1 / 0.6), Escape: wholeRide, Home: wholeRide, 0: wholeRide,
  };
  element.addEventListener("keydown", (event) => {
    const act = keys[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey || event.target.tagName === "SELECT") return;
    event.preventDefault();
    act();
  });
}

function takeButtons(bar) {
  const acts = { whole: wholeRide, closer: () => zoomBy(0.5), wider: () => zoomBy(2), earlier: () => panBy(-0.5), later: () => panBy(0.5) };
  for (const button of bar.querySelectorAll("button[data-act]")) button.addEventListener("click", acts[button.dataset.act]);
  bar.querySelector("select")?.addEventListener("change", (event) => {
    const segment = DATA.segments[Number(event.target.value)];
    if (!segment) return wholeRide();
    const room = Math.max(3, 0.08 * (segment.stop_s - segment.start_s));
    setRange(segment.start_s - room, segment.stop_s + room);
  });
}
