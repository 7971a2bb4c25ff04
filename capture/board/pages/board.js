// Keeps the page as the event stream tells it. Text from the benches is only ever set as textContent: it cannot
// become markup. Ages are counted here, against the server's clock.
"use strict";

const URGENT = new Set(["out of air", "no readings", "asks", "stuck"]);
const KINDS = [
  "out of air", "no readings", "asks", "stuck", "inconclusive", "tight", "loose", "leaks",
  "gauge out", "ready to sign", "offline", "record broken", "clock off", "not heard",
];
const VERDICTS = ["loose", "tight", "inconclusive", "good"];
const OLD_MS = 16000;

const rows = new Map(); // what the board tells of each bench, by key
const cards = new Map(); // its element and the parts that change, by key
let about = null;
let ahead = 0; // of the server's clock before this machine's, ms
let heard = 0; // when the stream last said anything, ms of this page's own clock
let asked = false; // whether a redraw waits for the next frame

const part = (id) => document.getElementById(id);
const byName = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" });

function make(kind, name, parent) {
  const element = document.createElement(kind);
  if (name) element.className = name;
  parent.append(element);
  return element;
}

function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

function age(since) {
  if (since === null) return "-";
  const seconds = Math.max(0, Math.floor((Date.now() + ahead - since) / 1000));
  if (seconds < 60) return `${seconds} s`;
  if (seconds < 3600) return `${Math.floor(seconds / 60)} min`;
  if (seconds < 86400) return `${Math.floor(seconds / 3600)} h`;
  return `${Math.min(999, Math.floor(seconds / 86400))} d`;
}

function card(key) {
  const element = document.createElement("li");
  const made = { element };
  made.bench = make("h2", "", element);
  const at = make("div", "at", element);
  made.at = document.createTextNode("");
  at.append(made.at);
  made.mean = make("span", "", at);
  made.progress = make("div", "progress", element);
  const main = make("div", "main", element);
  made.doing = make("span", "doing", main);
  made.travel = make("span", "travel", main);
  const foot = make("div", "foot", element);
  made.technician = make("span", "", foot);
  made.age = make("span", "age", foot);
  made.why = make("ul", "why", element);
  made.gauge = make("div", "progress", element);
  cards.set(key, made);
  return made;
}

function fill(made, row) {
  const urgent = row.needs.some((need) => URGENT.has(need.kind));
  const classes = ["bench", row.state === "offline" ? "offline" : row.doing];
  if (row.needs.length) classes.push("needs");
  if (urgent) classes.push("urgent");
  made.element.className = classes.join(" ");
  say(made.bench, row.bench);
  const at = [row.unit && `unit ${row.unit}`, row.pack && `pack ${row.pack}`].filter(Boolean).join(" · ");
  say(made.at, row.mean ? `${at} ` : at);
  say(made.mean, row.mean && `mean ${row.mean}`);
  say(made.progress, row.progress);
  made.progress.hidden = !row.progress;
  say(made.doing, `${row.shape} ${row.doing}`);
  say(made.travel, row.travel === "-" ? "" : row.travel);
  say(made.technician, row.technician);
  say(made.gauge, row.gauge);
  made.gauge.hidden = !row.gauge;
  made.why.hidden = !row.needs.length;
  made.why.replaceChildren();
  for (const need of row.needs) {
    const line = make("li", "", made.why);
    make("b", "", line).textContent = `${need.shape} ${need.kind}`;
    line.append(` ${need.words} `);
    need.place = make("span", "", line);
  }
  grow(made, row);
}

function grow(made, row) {
  say(made.age, row.stroke_at === null ? "no stroke yet" : `stroke ${age(row.stroke_at)} ago`);
  for (const need of row.needs) {
    if (need.place) say(need.place, need.since === null ? "" : `(${age(need.since)})`);
  }
}

const urgency = (row) => (row.needs.length ? KINDS.indexOf(row.needs[0].kind) : KINDS.length);
const place = (list, one) => (list.includes(one) ? list.indexOf(one) : list.length);
const ORDERS = {
  need: (a, b) => urgency(a) - urgency(b),
  bench: () => 0,
  stroke: (a, b) => (a.stroke_at ?? 0) - (b.stroke_at ?? 0),
  verdict: (a, b) => place(VERDICTS, a.verdict) - place(VERDICTS, b.verdict),
  technician: (a, b) => byName.compare(a.technician, b.technician),
};

const wall = new URLSearchParams(location.search).has("wall");
const WALL_CARDS = 4; // at most so many keep a name and a reason to be read at five metres
const WALL_PAGE_MS = 10000;
let page = 0;
document.documentElement.classList.toggle("wall", wall);

// As few and as large cards as need a person; the page turns by itself, since nobody clicks on a wall.
function onWall(shown) {
  const needing = shown.filter((row) => row.needs.length);
  const pages = Math.max(1, Math.ceil(needing.length / WALL_CARDS));
  page %= pages;
  const here = needing.slice(page * WALL_CARDS, (page + 1) * WALL_CARDS);
  part("floor").dataset.cards = pages > 1 ? WALL_CARDS : here.length;
  say(part("turn"), pages > 1 ? `page ${page + 1} of ${pages}` : "");
  return here;
}

// What a person who does not see the page is told: each need once, as it comes (WAI-ARIA 1.2, aria-live).
let announced = null;
function announce() {
  const now = new Map();
  for (const row of rows.values()) {
    for (const need of row.needs) now.set(`${row.key} ${need.kind}`, `${row.bench}: ${need.kind}. ${need.words}`);
  }
  const fresh = announced === null ? [] : [...now].filter(([key]) => !announced.has(key));
  if (fresh.length) say(part("news"), fresh.map(([, words]) => words).join(" "));
  if (about) announced = new Set(now.keys());
}

function arrange() {
  asked = false;
  announce();
  const order = ORDERS[part("order").value];
  const text = part("find").value.trim().toLowerCase();
  const only = part("only").checked;
  let shown = [...rows.values()].filter((row) =>
    (row.needs.length || !only) &&
    (!text || [row.bench, row.unit, row.pack, row.technician].some((one) => one.toLowerCase().includes(text))));
  shown.sort((a, b) => order(a, b) || byName.compare(a.bench, b.bench));
  if (wall) shown = onWall(shown);
  const floor = part("floor");
  // Only what is out of place is moved: a reader's place on the page, and the cost, stay.
  let next = floor.firstElementChild;
  for (const row of shown) {
    const { element } = cards.get(row.key);
    if (element === next) next = next.nextElementSibling;
    else floor.insertBefore(element, next);
  }
  while (next) {
    const rest = next.nextElementSibling;
    next.remove();
    next = rest;
  }
  floor.classList.toggle("few", shown.length <= 12);
  const needing = [...rows.values()].filter((row) => row.needs.length).length;
  say(part("needing"), `${needing}`);
  part("need-figure").classList.toggle("some", needing > 0);
  const gauges = [...rows.values()].filter((row) => row.gauge).length;
  say(part("gauges"), `${gauges}`);
  part("gauges-figure").hidden = !gauges;
  say(part("benches"), `${rows.size}`);
  document.title = needing ? `(${needing}) Shop floor` : "Shop floor";
  part("nothing").hidden = shown.length > 0;
  say(part("nothing"), !about ? "Waiting for the board." : !rows.size ? "No bench has been heard yet." :
    text ? "No bench, unit, pack or technician has that in its name." : "No bench needs a person.");
}

function redraw() {
  if (!asked) {
    asked = true;
    requestAnimationFrame(arrange);
  }
}

function trouble() {
  const silent = heard && performance.now() - heard > OLD_MS;
  let words = "";
  if (silent) words = "The page has lost the board. All below is old. It is tried again.";
  else if (about && about.broker) words = `${about.broker} (${age(about.broker_since)})`;
  const element = part("trouble");
  element.hidden = !words;
  say(element, words);
  document.body.classList.toggle("old", Boolean(silent || (about && about.link !== "up")));
}

function take(event) {
  heard = performance.now();
  const told = JSON.parse(event.data);
  ahead = told.now - Date.now();
  if (told.about) {
    about = told.about;
    say(part("yield"), about.yield);
    say(part("recheck"), about.recheck);
    say(part("over"), `rates of ${about.packs} ${about.packs === 1 ? "pack" : "packs"} since ${about.since}`);
    const warnings = part("warnings");
    warnings.hidden = !about.warnings.length;
    warnings.replaceChildren(...about.warnings.map((text) => {
      const line = document.createElement("li");
      line.textContent = text;
      return line;
    }));
  }
  for (const row of told.rows ?? []) {
    rows.set(row.key, row);
    fill(cards.get(row.key) ?? card(row.key), row);
  }
  for (const key of told.gone ?? []) drop(key);
  trouble();
  redraw();
}

function drop(key) {
  rows.delete(key);
  cards.get(key)?.element.remove();
  cards.delete(key);
}

const stream = new EventSource("events");
stream.addEventListener("floor", (event) => {
  for (const key of [...rows.keys()]) drop(key);
  take(event);
});
stream.addEventListener("changes", take);
stream.addEventListener("alive", take);

setInterval(() => {
  for (const [key, row] of rows) grow(cards.get(key), row);
  const now = new Date(Date.now() + ahead);
  say(part("clock"), about ? now.toLocaleTimeString([], { hourCycle: "h23" }) : "");
  trouble();
}, 1000);

if (wall) {
  setInterval(() => {
    page += 1;
    redraw();
  }, WALL_PAGE_MS);
}

part("choose").addEventListener("submit", (event) => event.preventDefault());
for (const id of ["find", "order", "only"]) part(id).addEventListener("input", redraw);
