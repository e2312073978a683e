// Reads values off the trend pictures and zooms into them. Without this script the buttons above the pictures do the zooming.
"use strict";
(() => {
  const box = document.getElementById("trends"), out = document.getElementById("readout");
  if (!box || !out) return;
  const from = Number(box.dataset.from), to = Number(box.dataset.to), LEAST_MS = 60000, LEAST_PX = 8;
  const lanes = [...box.querySelectorAll("svg.trend")].map((svg) => ({svg, line: svg.querySelector(".read"), points: JSON.parse(svg.dataset.points)}));
  const many = to - from > 86400000;
  const clock = new Intl.DateTimeFormat("en-GB", {timeZone: box.dataset.zone, hour: "2-digit", minute: "2-digit", second: "2-digit",
    ...(many ? {day: "numeric", month: "short"} : {})});
  const said = out.textContent;

  // The sample that was the last one at or before the time: what the line shows there.
  function sampleAt(points, at) {
    let low = 0, high = points.length - 1, found = null;
    while (low <= high) { const middle = (low + high) >> 1; if (points[middle][0] <= at) { found = points[middle]; low = middle + 1; } else high = middle - 1; }
    const next = points[low];
    return found && next && next[0] - at < at - found[0] ? next : found || next || null;
  }
  function text(value) { return value === null ? "not usable" : String(Number(value.toPrecision(5))).replace("-", "\u2212"); }
  function share(event) { const edge = lanes[0].svg.getBoundingClientRect(); return Math.min(1, Math.max(0, (event.clientX - edge.left) / edge.width)); }
  function read(part) {
    const at = from + part * (to - from), words = [];
    let stamp = at;
    for (const lane of lanes) {
      const sample = sampleAt(lane.points, at);
      if (!sample) { words.push(lane.svg.dataset.name + " no value"); continue; }
      stamp = sample[0];
      words.push(lane.svg.dataset.name + " " + text(sample[1]) + (lane.svg.dataset.unit ? " " + lane.svg.dataset.unit : ""));
    }
    for (const lane of lanes) { const x = (100 * (stamp - from) / (to - from)).toFixed(2) + "%"; lane.line.setAttribute("x1", x); lane.line.setAttribute("x2", x); lane.line.classList.add("on"); }
    out.textContent = clock.format(new Date(stamp)) + "  " + words.join(", ");
  }

  let begun = null, shade = null;
  box.addEventListener("pointermove", (event) => {
    if (!lanes.length) return;
    const part = share(event);
    if (begun === null) { if (event.target.closest("svg.trend")) read(part); return; }
    shade.hidden = Math.abs(part - begun) * lanes[0].svg.getBoundingClientRect().width < LEAST_PX;
    const edge = lanes[0].svg.getBoundingClientRect(), outer = box.getBoundingClientRect();
    shade.style.left = edge.left - outer.left + Math.min(part, begun) * edge.width + "px";
    shade.style.width = Math.abs(part - begun) * edge.width + "px";
    read(part);
  });
  box.addEventListener("pointerdown", (event) => {
    if (event.button || !event.target.closest("svg.trend")) return;
    begun = share(event);
    read(begun);
    if (!shade) { shade = document.createElement("div"); shade.className = "shade"; box.append(shade); }
    shade.hidden = true;
    box.setPointerCapture(event.pointerId);
  });
  box.addEventListener("pointerup", (event) => {
    if (begun === null) return;
    const [low, high] = [begun, share(event)].sort((a, b) => a - b), wide = !shade.hidden;
    begun = null; shade.hidden = true;
    if (!wide) return;
    const middle = from + (low + high) / 2 * (to - from), half = Math.max((high - low) * (to - from), LEAST_MS) / 2;
    const asked = new URLSearchParams(box.dataset.query);
    asked.set("from", Math.round(middle - half)); asked.set("to", Math.round(middle + half));
    location.assign("/signals?" + asked);
  });
  box.addEventListener("pointercancel", () => { begun = null; if (shade) shade.hidden = true; });
  box.addEventListener("pointerleave", () => { if (begun === null) { for (const lane of lanes) lane.line.classList.remove("on"); out.textContent = said; } });
})();
