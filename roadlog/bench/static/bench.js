// Follows work that goes on: after a reload, in a second tab, and after the app was started again.
"use strict";

for (const place of document.querySelectorAll("[data-job]:not([data-ended])")) follow(place);

function follow(place) {
  const step = place.querySelector(".step"), bar = place.querySelector("progress");
  const source = new EventSource(`/jobs/${place.dataset.job}/events`);
  source.onmessage = (message) => {
    const event = JSON.parse(message.data);
    if (event.kind === "step") { step.textContent = `${event.name} …`; bar.removeAttribute("value"); }
    if (event.kind === "progress" && event.of) { bar.max = event.of; bar.value = event.done; }
    if (event.kind === "end") { source.close(); anew(); }
  };
}

// Loads the page anew, but not while it sends files.
function anew() {
  if ("busy" in document.body.dataset) setTimeout(anew, 500); else location.reload();
}

// What the recorder does: shown anew when it changes, and never an old state as if it were now.
for (const place of document.querySelectorAll("[data-watch]")) watch(place);

async function watch(place) {
  try {
    const answer = await fetch(place.dataset.watch, { headers: { accept: "application/json" } });
    if (!answer.ok) throw new Error(answer.status);
    const now = await answer.json();
    const stops = place.dataset.stops ?? String(now.stops);
    if (now.state !== place.dataset.state || String(now.stops) !== stops) { location.reload(); return; }
    place.querySelector(".minutes span").textContent = now.minutes;
  } catch {
    place.dataset.state = "unknown";
    place.awake?.release();
    place.querySelector("h1").textContent = place.dataset.lost;
    place.querySelector(".minutes").hidden = true;
  }
  setTimeout(() => watch(place), 3000);
}

// While a drive is recorded and its page is shown, the screen stays on where the browser can do it.
const seen = document.querySelector("body.seen[data-watch]");
if (seen && navigator.wakeLock) {
  stayAwake();
  document.addEventListener("visibilitychange", stayAwake);
}

async function stayAwake() {
  if (seen.dataset.state !== "recording" || document.visibilityState !== "visible") return;
  try { seen.awake = await navigator.wakeLock.request("screen"); } catch { /* it sleeps as it would */ }
}

for (const place of document.querySelectorAll("[data-again]")) {
  setTimeout(() => location.reload(), 1000 * place.dataset.again);
}

// The process that answers questions rests when nobody is here: it is woken before it is asked.
for (const place of document.querySelectorAll("[data-wake]")) wake(place);
let woken = Date.now();
for (const kind of ["pointermove", "pointerdown", "keydown", "focus", "visibilitychange"]) {
  addEventListener(kind, stir, { passive: true, capture: true });
}

function stir() {
  if (document.hidden || Date.now() - woken < 45000 || !("stirs" in document.body.dataset)) return;
  woken = Date.now();
  fetch("/awake", { headers: { accept: "application/json" } }).catch(() => {});
}

async function wake(place) {
  try {
    const answer = await fetch("/awake", { headers: { accept: "application/json" } });
    if (answer.ok) { location.reload(); return; }
    place.textContent = (await answer.json()).problem;
  } catch {
    setTimeout(() => wake(place), 2000);
  }
}
