// Sends dropped or chosen files one after the other, each on its own, and tells how far each is.
"use strict";

const form = document.getElementById("send"), chooser = document.getElementById("files");
const list = form.querySelector(".arrivals"), sum = form.querySelector(".sum");
let busy = false;

form.addEventListener("submit", (event) => { event.preventDefault(); sendAll([...chooser.files]); });
for (const kind of ["dragover", "dragenter"]) addEventListener(kind, (event) => { event.preventDefault(); form.classList.add("over"); });
addEventListener("dragleave", () => form.classList.remove("over"));
addEventListener("drop", (event) => {
  event.preventDefault();
  form.classList.remove("over");
  if (event.dataTransfer) sendAll([...event.dataTransfer.files]);
});

async function sendAll(files) {
  const told = form.dataset, most = Number(told.most) - Number(told.waiting);
  if (busy || !files.length) return;
  if (files.length > most) {
    sum.textContent = told.tooMany.replace("{n}", files.length).replace("{most}", told.most);
    return;
  }
  busy = true;
  list.replaceChildren();
  let done = 0;
  for (const file of files) {
    if (await sendOne(file, told)) done += 1;
    sum.textContent = told.sum.replace("{done}", done).replace("{n}", files.length);
  }
  busy = false;
  if (done === files.length) lookAt(); else told.waiting = Number(told.waiting) + done;
}

function sendOne(file, told) {
  const line = document.createElement("li"), name = document.createElement("bdi");
  const bar = document.createElement("progress"), said = document.createElement("span");
  name.textContent = file.name;
  bar.setAttribute("aria-label", file.name);
  said.textContent = ` ${told.going}`;
  line.append(name, said, bar);
  list.append(line);
  const end = (text, wrong) => { said.textContent = ` ${text}`; bar.remove(); if (wrong) said.className = "problem"; return !wrong; };
  if (file.size > Number(told.mostBytes)) return Promise.resolve(end(told.tooLarge, true));
  return new Promise((resolve) => {
    const request = new XMLHttpRequest();
    request.open("PUT", `${told.to}?name=${encodeURIComponent(file.name.toWellFormed ? file.name.toWellFormed() : file.name)}`);
    request.setRequestHeader("accept", "application/json");
    request.responseType = "json";
    request.upload.onprogress = (event) => { if (event.total) { bar.max = event.total; bar.value = event.loaded; } };
    request.onload = () => {
      const answer = request.response || {};
      resolve(request.status === 200 ? end(told.kept, false) : end(answer.problem || told.broken, true));
    };
    request.onerror = () => resolve(end(told.broken, true));
    request.send(file);
  });
}

function lookAt() {
  const to = document.createElement("form");
  to.method = "post";
  to.action = form.dataset.to.replace(/file$/, "look");
  document.body.append(to);
  to.submit();
}
