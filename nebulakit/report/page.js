"use strict";
// Pictures are kept once, by key; dividers, positions, sortable tables, sheets; and, on a watched page, what the server tells.
let pictures = {};
const all = (root, what) => [...root.querySelectorAll(what)];

function fill(root) {
  // a watched page asks its server for each, once: most of them stay the same from save to save
  for (const i of all(root, "img[data-p]")) i.src = pictures[i.dataset.p] || "p/" + i.dataset.p;
}

// --- positions: % of the uncropped stack, and RA and Dec by the grid that the page brings along ---
function position(pair, e) {
  const grid = JSON.parse(pair.dataset.grid), box = pair.getBoundingClientRect();
  const u = (e.clientX - box.left) / box.width, v = (e.clientY - box.top) / box.height;
  if (u < 0 || v < 0 || u > 1 || v > 1) return null;
  const [o, x, y] = grid.percent;
  const at = [0, 1].map(k => (o[k] + u * (x[k] - o[k]) + v * (y[k] - o[k])).toFixed(grid.digits) + "%");
  let sky = "";
  if (grid.sky) {
    const n = grid.sky.n, fx = u * (n - 1), fy = v * (n - 1);
    const i = Math.min(n - 2, Math.floor(fx)), j = Math.min(n - 2, Math.floor(fy)), p = fx - i, q = fy - j;
    const mix = a => (1 - q) * ((1 - p) * a[j * n + i] + p * a[j * n + i + 1]) + q * ((1 - p) * a[(j + 1) * n + i] + p * a[(j + 1) * n + i + 1]);
    const ra = ((mix(grid.sky.ra) % 360) + 360) % 360, dec = mix(grid.sky.dec);
    sky = ` · RA ${ra.toFixed(4)}°, Dec ${dec.toFixed(4).replace("-", "−")}°`;
  }
  return { text: `[${at.join(", ")}]`, sky };
}

function copy(pair, e) {
  const at = position(pair, e), line = pair.closest("[data-group]").querySelector(".where");
  if (!at || !line) return;
  const text = "at: " + at.text, tell = done => { line.textContent = (done ? "copied: " : "copy this: ") + text; };
  if (navigator.clipboard) navigator.clipboard.writeText(text).then(() => tell(true), () => tell(false));
  else tell(false);
}

// --- dividers: all pairs of a group move together; arrow keys move the one that has the focus, and so the others ---
function move(pair, percent) {
  const group = pair.closest("[data-group]") || pair.parentElement;
  for (const p of all(group, ".pair")) {
    const slider = p.querySelector("input");
    if (!slider) continue;
    slider.value = percent;
    p.style.setProperty("--at", percent + "%");
  }
}

function arm(pair) {
  const slider = pair.querySelector("input");
  let down = null, dragged = false;
  if (slider) slider.addEventListener("input", () => move(pair, slider.value));
  pair.addEventListener("pointerdown", e => { if (e.button === 0) { down = e.clientX; dragged = false; } });
  pair.addEventListener("pointermove", e => {
    if (down !== null && slider && (dragged || Math.abs(e.clientX - down) > 3)) {
      if (!dragged) { dragged = true; pair.setPointerCapture(e.pointerId); pair.classList.add("grabbed"); }
      const box = pair.getBoundingClientRect();
      move(pair, Math.round(1000 * Math.min(1, Math.max(0, (e.clientX - box.left) / box.width))) / 10);
    }
    const at = pair.dataset.grid && position(pair, e), line = at && pair.closest("[data-group]").querySelector(".where");
    if (line) line.textContent = `${at.text} of the stack${at.sky}`;
  });
  const end = () => { down = null; pair.classList.remove("grabbed"); };
  pair.addEventListener("pointerup", e => {
    if (down !== null && !dragged && pair.dataset.grid) copy(pair, e);
    if (slider && down !== null) slider.focus({ preventScroll: true });
    end();
  });
  pair.addEventListener("pointercancel", end);
}

// --- tables ---
function sortable(table) {
  all(table, "th button").forEach((button, k) => button.addEventListener("click", () => {
    const up = button.parentElement.getAttribute("aria-sort") !== "ascending", body = table.tBodies[0];
    for (const th of all(table, "th")) th.removeAttribute("aria-sort");
    button.parentElement.setAttribute("aria-sort", up ? "ascending" : "descending");
    const key = row => row.cells[k].textContent.trim();
    const order = (a, b) => (isNaN(a) || isNaN(b) || a === "" || b === "" ? String(a).localeCompare(String(b)) : a - b);
    body.append(...[...body.rows].sort((a, b) => order(key(a), key(b)) * (up ? 1 : -1)));
  }));
}

// --- sheets: the two chosen last lie under one divider ---
function sheet(root) {
  const box = root.querySelector("#chosen"), buttons = all(root, "button.choose");
  if (!box) return;
  const picked = [];
  for (const b of buttons) b.addEventListener("click", () => {
    if (picked.includes(b)) picked.splice(picked.indexOf(b), 1); else picked.push(b);
    if (picked.length > 2) picked.shift();
    for (const o of buttons) o.setAttribute("aria-pressed", picked.includes(o));
    box.replaceChildren();
    root.querySelector("#choose").hidden = picked.length === 2;
    if (picked.length < 2) return;
    const names = picked.map(p => p.dataset.name), views = picked.map(p => JSON.parse(p.dataset.views));
    views[0].forEach((first, n) => {
      const second = views[1][n];
      if (!second) return;
      const pair = root.querySelector("#blank").content.firstElementChild.cloneNode(true);
      const [one, two] = all(pair, "img"), [left, right] = all(pair, ".tag"), slider = pair.querySelector("input");
      one.dataset.p = first.key; two.dataset.p = second.key;
      one.alt = `${names[0]}, ${first.name}`; two.alt = `${names[1]}, ${second.name}`;
      left.textContent = names[0]; right.textContent = names[1];
      slider.setAttribute("aria-label", `${first.name}: divider between ${names[0]} (left) and ${names[1]} (right)`);
      pair.style.width = first.width * first.zoom * (n || first.width > 600 ? 1 : 2) + "px";
      if (first.grid) pair.dataset.grid = JSON.stringify(first.grid);
      const figure = document.createElement("figure"), caption = document.createElement("figcaption");
      if (n) pair.classList.add("small");
      caption.textContent = first.name;
      figure.append(pair, ...(n ? [caption] : []));
      box.append(figure);
      arm(pair);
    });
    fill(box);
    const line = document.createElement("p");
    line.className = "where";
    box.children[0].append(line);
    box.querySelector("input").focus({ preventScroll: true });
    box.scrollIntoView({ block: "nearest" });
  });
}

function start(root) {
  pictures = JSON.parse(document.getElementById("pictures").textContent);
  fill(root);
  all(root, ".pair").forEach(arm);
  all(root, "table.sortable").forEach(sortable);
  sheet(root);
}

// --- the watched page: a newer page is put in place of this one, dividers and scrolling stay as they are ---
async function renew() {
  const page = new DOMParser().parseFromString(await (await fetch("./", { cache: "no-store" })).text(), "text/html");
  const at = Object.fromEntries(all(document, "[data-group]").map(g => [g.dataset.group, g.querySelector(".pair input")?.value]));
  const open = new Set(all(document, "details[open]").map(d => d.dataset.key)), shut = new Set(all(document, "details:not([open])").map(d => d.dataset.key));
  for (const part of ["header", "main", "footer"]) document.querySelector(part).replaceWith(page.querySelector(part));
  document.getElementById("pictures").textContent = page.getElementById("pictures").textContent;
  document.title = page.title;
  document.body.dataset.version = page.body.dataset.version;
  start(document);
  for (const g of all(document, "[data-group]")) if (at[g.dataset.group] !== undefined && g.querySelector(".pair")) move(g.querySelector(".pair"), at[g.dataset.group]);
  for (const d of all(document, "details")) if (open.has(d.dataset.key)) d.open = true; else if (shut.has(d.dataset.key)) d.open = false;
}

function watch() {
  const fault = document.getElementById("fault"), state = document.getElementById("state");
  const events = new EventSource("events");
  events.onmessage = async e => {
    const told = JSON.parse(e.data);
    if (String(told.version) !== document.body.dataset.version) await renew();
    fault.hidden = !told.fault;
    if (fault.textContent !== told.fault) fault.textContent = told.fault;
    state.textContent = told.state;
  };
  events.onerror = () => { events.close(); state.textContent = "no longer watched"; };
}

start(document);
if (document.body.dataset.version) watch();
addEventListener("beforeprint", () => all(document, "details").forEach(d => { d.open = true; }));
