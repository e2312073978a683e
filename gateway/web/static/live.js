// Keeps an open page up to date: texts from the event stream in their fixed places, pictures by fetching the page anew when their version
// changes. Without this script every page still shows what was true when it was loaded.
"use strict";
(() => {
  const LOST_AFTER_MS = 4000, RETRY_MS = 3000, FETCH_PAUSE_MS = 2000, HOLD_MS = 10000, TOUCH_MS = 2500;
  const body = document.body;
  const lost = document.getElementById("lost");
  let heard = performance.now(), source = null, retrying = 0;

  // --- texts in their places
  function put(element, text) { if (element && element.textContent !== text) element.textContent = text; }
  function showMotor(element, motor) {
    for (const place of element.querySelectorAll("[data-live]")) if (place.dataset.live in motor.t) put(place, motor.t[place.dataset.live]);
    for (const place of element.querySelectorAll("[data-value]")) if (place.dataset.value in motor.v) put(place, motor.v[place.dataset.value][0]);
    for (const place of element.querySelectorAll("[data-flaw]")) if (place.dataset.flaw in motor.v) put(place, motor.v[place.dataset.flaw][1]);
    if (element.classList.contains("row")) for (const mark of Object.keys(motor.m)) element.classList.toggle(mark, motor.m[mark]);
  }
  function show(event) {
    put(document.getElementById("clock"), event.clock);
    for (const place of document.querySelectorAll("[data-clock]")) put(place, event.clock);
    put(document.getElementById("date"), event.date);
    put(document.getElementById("ages"), event.ages);
    for (const element of document.querySelectorAll("[data-motor]")) if (event.motors[element.dataset.motor]) showMotor(element, event.motors[element.dataset.motor]);
    announce(event.calls);
    const page = body.dataset.page, own = document.querySelector("[data-motor]");
    const motorVersion = body.dataset.motorVersion && own && event.motors[own.dataset.motor] ? event.motors[own.dataset.motor].version : "";
    const stale = (body.dataset.version && event.versions[page] && event.versions[page] !== body.dataset.version)
      || (motorVersion && motorVersion !== body.dataset.motorVersion) || event.versions.alerts !== alertsVersion;
    if (alertsVersion === "") alertsVersion = event.versions.alerts;
    else if (stale) { alertsVersion = event.versions.alerts; renew(); }
  }
  let alertsVersion = "";

  // --- what is read out: a new alert, once; the highest priority at once, all else when the reader pauses.
  // The event names the latest ten only: one that comes into it because a later one was acknowledged is not new.
  const MOST_CALLS = 10;
  let told = null, standing = new Set(), newest = 0;
  function announce(calls) {
    const isNew = ([id, , , at]) => told.has(id) ? !standing.has(id) && standing.size < MOST_CALLS : at > newest;
    const fresh = told ? calls.filter(isNew) : [];
    standing = new Set(calls.map((call) => call[0]));
    told = new Set([...(told || []), ...standing]);
    newest = Math.max(newest, ...calls.map((call) => call[3]));
    if (!fresh.length) return;
    const more = fresh.length > 1 ? ", and " + (fresh.length - 1) + " more" : "";
    put(document.getElementById(fresh[0][1] === 1 ? "urgent" : "news"), "New alert, " + fresh[0][2] + more + ".");
  }

  // --- pictures and lists: fetched anew, never under a finger
  let fetching = false, again = false, fetched = 0, waiting = null, touchedAt = -HOLD_MS, heldSince = 0;
  const list = () => document.querySelector("[data-list]");
  for (const kind of ["pointerdown", "pointermove", "keydown"]) document.addEventListener(kind, (event) => {
    if (list() && event.target instanceof Node && list().contains(event.target)) touchedAt = performance.now();
  }, {passive: true});
  function held() {
    const rows = list();
    if (!rows) return false;
    const busy = performance.now() - touchedAt < TOUCH_MS || (rows.contains(document.activeElement) && document.activeElement.matches(":focus-visible"));
    if (!busy) { heldSince = 0; return false; }
    if (!heldSince) heldSince = performance.now();
    return performance.now() - heldSince < HOLD_MS;
  }
  async function renew() {
    if (fetching) { again = true; return; }
    const pause = fetched + FETCH_PAUSE_MS - performance.now();
    if (pause > 0) { if (!waiting) waiting = setTimeout(() => { waiting = null; renew(); }, pause); return; }
    fetching = true; fetched = performance.now();
    try {
      const answer = await fetch(location.href, {headers: {accept: "text/html"}, cache: "no-store"});
      if (answer.ok) replace(new DOMParser().parseFromString(await answer.text(), "text/html"));
    } catch (error) { /* the stream says that the gateway is away */ } finally {
      fetching = false;
      if (again) { again = false; renew(); }
    }
  }
  function replace(fresh) {
    if (held()) { setTimeout(() => replace(fresh), 500); return; }
    const focus = document.activeElement && document.activeElement.closest("[data-motor]");
    const focused = focus ? focus.dataset.motor : "", opened = [...document.querySelectorAll("[data-part] details[open]")].map((each) => each.id);
    for (const part of document.querySelectorAll("[data-part]")) {
      const next = fresh.getElementById(part.id);
      if (next && next.innerHTML !== part.innerHTML) part.replaceChildren(...[...next.childNodes].map((node) => document.importNode(node, true)));
    }
    for (const id of opened) if (document.getElementById(id)) document.getElementById(id).open = true;
    body.className = fresh.body.className + (body.classList.contains("lost") ? " lost" : "");
    body.dataset.version = fresh.body.dataset.version;
    body.dataset.motorVersion = fresh.body.dataset.motorVersion;
    filter();
    if (focused) for (const row of document.querySelectorAll("a[data-motor]")) if (row.dataset.motor === focused) row.focus({preventScroll: true});
  }
  const everyS = Number(body.dataset.refresh);
  if (everyS > 0) setInterval(() => { if (!document.hidden && !body.classList.contains("lost")) renew(); }, everyS * 1000);

  // --- the filter box works without this script too, by its form
  const find = body.dataset.page === "motors" ? document.getElementById("find") : null;
  function filter() {
    if (!find) return;
    const wanted = find.value.trim().toLowerCase();
    for (const row of document.querySelectorAll("#rows a[data-motor]")) {
      const words = row.dataset.motor + " " + (row.querySelector(".nm") ? row.querySelector(".nm").textContent : "");
      row.parentElement.hidden = !words.toLowerCase().includes(wanted);
    }
  }
  if (find) find.addEventListener("input", filter);

  // --- the stream
  function open() {
    retrying = 0;
    if (source) source.close();
    source = new EventSource("/stream");
    source.onmessage = (message) => { heard = performance.now(); say(false); show(JSON.parse(message.data)); };
    source.addEventListener("bye", () => { source.close(); heard = -LOST_AFTER_MS; say(true); retry(); });
    source.onerror = () => { if (source.readyState === EventSource.CLOSED) retry(); };
  }
  function retry() { if (!retrying) retrying = setTimeout(open, RETRY_MS); }
  let lostAt = "";
  function say(isLost) {
    if (isLost === body.classList.contains("lost")) return;
    body.classList.toggle("lost", isLost);
    if (isLost) lostAt = document.getElementById("clock").textContent;
    put(lost, isLost ? "No live data since " + lostAt + ", old values" : "");
    if (!isLost) renew();
  }
  setInterval(() => { if (performance.now() - heard > LOST_AFTER_MS) { say(true); if (performance.now() - heard > 4 * LOST_AFTER_MS) retry(); } }, 500);
  addEventListener("pagehide", () => { if (source) source.close(); });
  addEventListener("pageshow", (event) => { if (event.persisted) open(); });
  open();
})();
