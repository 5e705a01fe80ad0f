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
    if (event.kind === "end") { source.close(); location.reload(); }
  };
}
