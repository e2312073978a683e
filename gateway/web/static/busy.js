// Says that the gateway is at work when an answer takes longer than a moment, how far a report is, and offers to stop it. What was typed
// stays. Without this script the browser itself shows that it waits.
"use strict";
(() => {
  const SAY_AFTER_MS = 500, ASK_EVERY_MS = 500;
  const box = document.getElementById("busy"), words = document.getElementById("busy-words"), bar = document.getElementById("busy-bar");
  const time = document.getElementById("busy-time"), stop = document.getElementById("busy-stop");
  let began = 0, waiting = null, ticking = null, giveUp = null;

  function begin(what, onStop) {
    end();
    began = performance.now(); giveUp = onStop;
    waiting = setTimeout(() => { bar.removeAttribute("value"); words.textContent = what; box.hidden = false; tick(); ticking = setInterval(tick, 1000); }, SAY_AFTER_MS);
  }
  // The seconds stand beside the sentence that is read out, not in it: nobody wants to hear them counted.
  function tick() { time.textContent = (bar.hasAttribute("value") ? bar.value + " %, " : "") + Math.round((performance.now() - began) / 1000) + " s"; }
  function end() { clearTimeout(waiting); clearInterval(ticking); waiting = ticking = giveUp = null; box.hidden = true; words.textContent = ""; }
  stop.addEventListener("click", () => { const given = giveUp; end(); if (given) given(); });

  // --- another page: the browser fetches it, this one says so while it stands
  const leave = () => begin("Working. This page stays until the answer is there.", () => window.stop());
  document.addEventListener("submit", (event) => {
    if (event.defaultPrevented) return;
    const form = event.target, button = event.submitter;
    if (form.dataset.progress && button && button.value !== "view") { event.preventDefault(); take(form, button); } else leave();
  });
  document.addEventListener("click", (event) => {
    const link = event.target instanceof Element ? event.target.closest("a[href]") : null;
    if (!link || event.defaultPrevented || event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
    if (link.hasAttribute("download") || link.origin !== location.origin || (link.hash && link.pathname + link.search === location.pathname + location.search)) return;
    leave();
  });
  addEventListener("pagehide", end);
  addEventListener("pageshow", end);

  // --- a file: fetched here, so that its way can be shown, stopped, and its failure told beside what was typed
  async function take(form, button) {
    const said = document.getElementById("taken"), asked = new URLSearchParams(new FormData(form));
    const job = Date.now().toString(36) + Math.random().toString(36).slice(2), gone = new AbortController();
    asked.set(button.name, button.value); asked.set("job", job);
    said.textContent = "";
    begin("Making the " + button.textContent + " file.", () => gone.abort());
    const asking = setInterval(() => ask(form.dataset.progress + "?job=" + job), ASK_EVERY_MS);
    try {
      const answer = await fetch(form.action + "?" + asked, {signal: gone.signal, cache: "no-store"});
      if (!answer.ok) { said.textContent = reason(await answer.text()); return; }
      save(await answer.blob(), name(answer.headers.get("content-disposition") || ""));
      said.textContent = "The " + button.textContent + " file is in your downloads.";
    } catch (error) {
      said.textContent = error.name === "AbortError" ? "Cancelled; nothing was written." : "The gateway did not answer. What you chose stands here still: try again.";
    } finally { clearInterval(asking); end(); }
  }
  async function ask(address) {
    try {
      const told = await (await fetch(address, {cache: "no-store"})).json();
      if (told.share !== null) { bar.value = Math.round(100 * told.share); tick(); }
    } catch (error) { /* the file's own request says what is wrong */ }
  }
  function reason(text) {
    const page = new DOMParser().parseFromString(text, "text/html"), found = page.querySelector("[role=alert] b, h1");
    return found ? found.textContent : "The gateway could not make the file. Try again.";
  }
  function name(disposition) { const found = /filename="([^"]+)"/.exec(disposition); return found ? found[1] : "report"; }
  function save(blob, name) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob); link.download = name; link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }
})();
