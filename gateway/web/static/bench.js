// Keeps the judgement of the map bench up to date: texts in their places, once a second. Without this script the page shows what was true
// when it was loaded. It asks the gateway for what the polls brought; nothing here reaches a device.
"use strict";
(() => {
  const EVERY_MS = 1000, box = document.querySelector("[data-bench]");
  if (!box || !box.dataset.bench) return;
  const rows = new Map([...box.querySelectorAll("[data-row]")].map((row) => [row.dataset.row, row]));
  const sentence = document.getElementById("bench-sentence"), read = document.getElementById("bench-read"), more = document.getElementById("bench-more");
  function put(element, text) { if (element && element.textContent !== text) element.textContent = text; }
  function show(row, texts) {
    for (const cell of row.querySelectorAll("[data-cell]")) put(cell, texts[Number(cell.dataset.cell)]);
    const mark = texts[5], verdict = row.querySelector(".ver");
    row.classList.toggle("q", mark !== "");
    for (const name of ["u", "c"]) verdict.classList.toggle(name, mark === name);
  }
  async function renew() {
    const answer = await fetch("/bench/live?motor=" + encodeURIComponent(box.dataset.bench), {cache: "no-store"});
    if (!answer.ok) return;
    const now = await answer.json();
    put(sentence, now.sentence);
    put(read, now.read);
    for (const [key, texts] of Object.entries(now.rows)) if (rows.has(key)) show(rows.get(key), texts);
    if (now.version !== box.dataset.start) put(more, "A start was kept: " + now.start + ". Load the page again to see it.");
    else if (now.recording) put(more, "A start is under way; its words are being kept.");
  }
  async function turn() {
    const began = performance.now();
    // While the gateway is away, the stream of the page says so.
    if (!document.hidden && !document.body.classList.contains("lost")) try { await renew(); } catch (error) { /* said by the stream */ }
    setTimeout(turn, Math.max(100, EVERY_MS - (performance.now() - began)));
  }
  setTimeout(turn, EVERY_MS);
})();
