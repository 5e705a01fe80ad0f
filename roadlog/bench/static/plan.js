// What the days can show, anew as an answer changes; without script the button asks for it.
"use strict";

const form = document.getElementById("plan"), place = document.getElementById("days");
let waiting = 0, asked = 0;

if (form) form.addEventListener("input", (event) => {
  if (event.target.type === "password") return;
  clearTimeout(waiting);
  waiting = setTimeout(show, 300);
});

async function show() {
  const mine = ++asked, query = new URLSearchParams();
  for (const [name, value] of new FormData(form)) {
    if (!name.startsWith("passphrase") && String(value).length < 100) query.set(name, String(value));
  }
  let told;
  try {
    const reply = await fetch(`${form.dataset.ask}?${query}`, { headers: { accept: "application/json" } });
    told = await reply.json();
  } catch { return; }  // the app is being started again: the next change asks anew
  if (mine !== asked || !told.html) return;
  place.innerHTML = told.html;
  for (const input of form.elements) if (input.name) input.toggleAttribute("aria-invalid", input.name in told.faults);
}
