// Sends dropped or chosen files and folders one after the other and tells how far it is: in a list
// what is on its way or went wrong, in one line the rest, so that ten thousand files stay readable.
"use strict";

const form = document.getElementById("send"), chooser = document.getElementById("files");
const part = (name) => form.querySelector(name);
const list = part(".arrivals"), sum = part(".sum"), all = part(".all"), told = form.dataset;
const LISTED = 50, WALKED = 20000, SPEAK_MS = 10000;
const NO_LOG = new Set(("jpg jpeg png gif webp heic svg bmp tif tiff ico mp3 m4a wav ogg flac mp4 mov avi mkv webm " +
  "doc docx odt ppt pptx odp rtf pdf html htm css js mjs py pyc rb c h o so dll exe msi apk dmg iso app bat sh " +
  "ttf otf woff woff2 eot lnk url ini db sqlite bak tmp").split(" "));
let busy = false, halted = false, sending = null, large = false;

form.addEventListener("submit", (event) => { event.preventDefault(); sendAll([...chooser.files], []); });
// A small file on its way is let through, so that the count is true; a large one is cut off.
part(".halt").addEventListener("click", () => { halted = true; if (large) sending.abort(); });
part(".look").addEventListener("click", lookAt);
for (const kind of ["dragover", "dragenter"]) addEventListener(kind, (event) => { event.preventDefault(); form.classList.add("over"); });
addEventListener("dragleave", () => form.classList.remove("over"));
addEventListener("drop", async (event) => {
  event.preventDefault();
  form.classList.remove("over");
  if (!event.dataTransfer || busy) return;
  const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  const files = [...event.dataTransfer.files];
  if (!entries.some((e) => e.isDirectory)) { sendAll(files, []); return; }
  sendAll(...await inside(entries));
});
addEventListener("beforeunload", (event) => { if (busy) event.preventDefault(); });

// The files of dropped folders, however deep, and the names of what can't be read.
async function inside(entries) {
  const files = [], shut = [], open = [...entries];
  while (open.length && files.length <= WALKED) {
    const entry = open.pop();
    const fail = (good, instead) => () => { shut.push(entry.name); good(instead); };
    if (entry.isFile) {
      const file = await new Promise((good) => entry.file(good, fail(good, null)));
      if (file) files.push(file);
      continue;
    }
    const reader = entry.createReader();
    for (let some = [""]; some.length;) {
      some = await new Promise((good) => reader.readEntries(good, fail(good, [])));
      open.push(...some);
    }
  }
  return [files, shut];
}

// Those that can be logs by their names; of the others, how many there are of each kind.
function sorted(files) {
  const good = [], kinds = new Map();
  for (const file of files) {
    const kind = file.name.startsWith(".") ? ".*" : `.${file.name.split(".").pop().toLowerCase()}`;
    if (kind !== ".*" && !NO_LOG.has(kind.slice(1))) good.push(file);
    else kinds.set(kind, (kinds.get(kind) || 0) + 1);
  }
  const most = [...kinds].sort((a, b) => b[1] - a[1]).map(([kind, n]) => `${n} × ${kind}`);
  const n = files.length - good.length;
  const shown = most.slice(0, 8).join(", ") + (most.length > 8 ? ", …" : "");
  return [good, n ? told.sort.replace("{n}", n).replace("{kinds}", shown) : ""];
}

async function sendAll(chosen, shut) {
  if (busy) return;
  const [files, apart] = sorted(chosen), most = Number(told.most) - Number(told.waiting);
  list.replaceChildren();
  if (apart) note(apart);
  for (const name of shut.slice(0, LISTED)) note(`${name} ${told.broken}`);
  if (files.length > most || chosen.length > WALKED) { sum.textContent = told.tooMany.replace("{n}", files.length).replace("{most}", told.most); return; }
  sum.textContent = "";
  if (!files.length) return;
  working(true);
  const [done, wrong] = await oneByOne(files);
  working(false);
  const said = halted ? told.stopped : told.sum;
  sum.textContent = said.replace("{done}", done).replace("{n}", files.length);
  told.waiting = Number(told.waiting) + done;
  if (done && !wrong && !halted && !apart && !shut.length) lookAt(); else part(".look").hidden = !Number(told.waiting);
}

async function oneByOne(files) {
  const bar = all.querySelector("progress"), count = part(".count");
  let done = 0, wrong = 0, at = 0, spoken = Date.now(), silent = 0;
  bar.max = files.length;
  for (const file of files) {
    const [line, answered, good] = await sendOne(file);
    silent = answered ? 0 : silent + 1;
    if (good) { done += 1; if (files.length > LISTED) line.remove(); }
    else if (++wrong > LISTED) line.remove();
    bar.value = ++at;
    count.textContent = `${at} / ${files.length}`;
    if (Date.now() - spoken > SPEAK_MS) { spoken = Date.now(); sum.textContent = told.sum.replace("{done}", done).replace("{n}", files.length); }
    if (halted) break;
    if (silent === 3) { note(told.asleep); wrong += files.length - at; break; }
  }
  if (wrong > LISTED) note(told.more.replace("{n}", wrong - LISTED));
  return [done, wrong];
}

function working(now) {
  busy = now;
  if (now) { halted = false; part(".look").hidden = true; document.body.dataset.busy = ""; } else delete document.body.dataset.busy;
  all.hidden = !now;
}

function note(text) {
  const line = document.createElement("li");
  line.className = "problem";
  line.textContent = text;
  list.append(line);
}

// [its line, whether the app answered, whether the file is there]
function sendOne(file) {
  const line = document.createElement("li"), name = document.createElement("bdi");
  const bar = document.createElement("progress"), said = document.createElement("span");
  name.textContent = file.name;
  bar.setAttribute("aria-label", file.name);
  said.textContent = ` ${told.going}`;
  line.append(name, said, bar);
  list.append(line);
  const end = (text, answered, good) => { said.textContent = ` ${text}`; bar.remove(); if (!good) said.className = "problem"; return [line, answered, good]; };
  if (file.size > Number(told.mostBytes)) return Promise.resolve(end(told.tooLarge, true, false));
  return new Promise((resolve) => {
    const request = new XMLHttpRequest();
    sending = request;
    large = file.size > 1e7;
    request.open("PUT", `${told.to}?name=${encodeURIComponent(file.name.toWellFormed ? file.name.toWellFormed() : file.name)}`);
    request.setRequestHeader("accept", "application/json");
    request.responseType = "json";
    request.upload.onprogress = (event) => { if (event.total) { bar.max = event.total; bar.value = event.loaded; } };
    request.onload = () => {
      const answer = request.response || {}, good = request.status === 200;
      resolve(good ? end(told.kept, true, true) : end(answer.problem || told.broken, true, false));
    };
    request.onerror = request.onabort = () => resolve(end(told.broken, false, false));
    request.send(file);
  });
}

function lookAt() {
  const to = document.createElement("form");
  to.method = "post";
  to.action = told.to.replace(/file$/, "look");
  document.body.append(to);
  to.submit();
}
