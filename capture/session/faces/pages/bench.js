"use strict";
// Draws what the bench's process says, and says what is touched. It knows nothing by itself: every text comes as it is.

const OLD_MS = 3000;
const at = (id) => document.getElementById(id);
let face = "", needsToken = false, heard = -Infinity, shown = null, drawn = {};

const text = (id, what) => { const one = at(id); if (one.textContent !== what) one.textContent = what; };
const all = (id, made) => {
  const key = JSON.stringify(made);
  if (drawn[id] === key) return;   // a list that is the same stays: nobody's finger loses its button
  drawn[id] = key;
  at(id).replaceChildren(...made.map(([tag, what, kind]) => {
    const one = document.createElement(tag);
    one.textContent = what;
    if (kind) one.className = kind;
    return one;
  }));
};

const post = async (where, kind, body) => {
  const headers = { "Content-Type": kind };
  const secret = sessionStorage.getItem("token");
  if (needsToken && !secret) { at("token").hidden = false; at("secret").focus(); return null; }
  if (secret) headers.Authorization = `Bearer ${secret}`;
  const answer = await fetch(where, { method: "POST", headers, body }).catch(() => null);
  if (answer && answer.status === 401) { sessionStorage.removeItem("token"); at("token").hidden = false; at("secret").focus(); }
  return answer;
};
const say = (what) => post("press", "application/json", JSON.stringify({ face, ...what }));
const press = (...keys) => say({ keys });

at("token").addEventListener("submit", (event) => {
  event.preventDefault();
  sessionStorage.setItem("token", at("secret").value.trim());
  at("secret").value = "";
  at("token").hidden = true;
});

const UPRIGHT_PART = .28;   // of an upright window's height, for the word; lying, it takes what the rest leaves
const upright = () => innerHeight > innerWidth;
const fit = () => {
  const word = at("word"), box = at("verdict");
  if (!word.textContent || !box.clientWidth) return;
  word.style.fontSize = "100px";
  const room = upright() ? innerHeight * UPRIGHT_PART : box.clientHeight * .98;
  const size = Math.min(box.clientWidth * .98 / word.offsetWidth, room / word.offsetHeight) * 100;
  word.style.fontSize = `${Math.max(16, Math.floor(size))}px`;
};
addEventListener("resize", () => { if (shown) (shown.screen === "bench" ? bench : rows)(shown); });

const form = (what) => {
  at("form").hidden = !what;
  if (!what) { drawn.fields = null; return; }
  text("title", what.title);
  all("said", what.said.map((one) => ["p", one]));
  text("problem", what.problem);
  const key = JSON.stringify([what.title, what.at, what.fields]);
  if (drawn.fields === key) return;
  drawn.fields = key;
  at("fields").replaceChildren(...what.fields.map((field, i) => {
    const label = document.createElement("label");
    label.textContent = `${field.label}${field.hint ? ` (${field.hint})` : ""} `;
    const input = document.createElement("input");
    input.value = field.value;
    input.readOnly = i !== what.at;
    input.maxLength = 300;
    if (i === what.at) input.id = "typed";
    label.append(input);
    return label;
  }));
  if (at("typed") && shown.place.has_keys) at("typed").focus();
};
const typed = () => {
  const before = [...shown.form.fields[shown.form.at]?.value ?? ""], now = [...at("typed")?.value ?? ""];
  if (before.join("") === now.join("")) return [];
  return [...before.map(() => "backspace"), ...now];
};
at("form").addEventListener("submit", (event) => { event.preventDefault(); press(...typed(), "\r"); });

const photo = (what) => {
  if (!what) { at("photo").hidden = true; return; }
  const key = JSON.stringify(what);
  if (drawn.photo === key) return;
  drawn.photo = key;
  at("of").replaceChildren(...["", ...what.packs].map((pack) => new Option(pack || "the unit", pack, false, pack === what.about)));
};
const asksPhoto = () => {
  at("photo").reset();
  at("of").value = shown.photo.about;
  at("sender").value = shown.technician;
  text("came", "");
  at("photo").hidden = false;
  at("photo").scrollIntoView();
};
at("nophoto").addEventListener("click", () => { at("photo").hidden = true; });
at("photo").addEventListener("submit", async (event) => {
  event.preventDefault();
  const file = at("picture").files[0];
  text("came", "It is being sent.");
  const about = new URLSearchParams({ face, name: file.name, by: at("sender").value, pack: at("of").value });
  const kind = file.type === "image/png" ? "image/png" : "image/jpeg";   // what it is, its first bytes say to the bench
  const answer = await post(`photo?${about}`, kind, file);
  if (answer && answer.status === 204) at("photo").hidden = true;
  else text("came", answer ? await answer.text() : "It was not sent.");
});

// What must be noticed with the eyes on the work: a colour for a moment, and tones; a button takes both away.
const MODES = ["sound", "silent", "no colour"];
const COLOUR_MS = 800, EDGE_S = .008, LOUD = .5;
let mode = localStorage.getItem("signals") ?? MODES[0], audio = null, colour = 0;
const sound = (tones) => {
  audio ??= new AudioContext();
  audio.resume();
  let from = audio.currentTime;
  for (const [hertz, seconds] of tones) {
    const until = from + seconds;
    if (hertz) {
      const tone = audio.createOscillator(), gain = audio.createGain();
      tone.frequency.value = hertz;
      gain.gain.setValueAtTime(0, from);
      gain.gain.linearRampToValueAtTime(LOUD, from + EDGE_S);
      gain.gain.setValueAtTime(LOUD, until - EDGE_S);
      gain.gain.linearRampToValueAtTime(0, until);
      tone.connect(gain).connect(audio.destination);
      tone.start(from);
      tone.stop(until);
    }
    from = until;
  }
};
const signal = (what) => {
  if (mode === "no colour") return;
  if (mode === "sound") sound(what.tones);
  document.body.dataset.signal = what.name;
  text("signal", what.says.includes(what.name) ? what.says : `${what.name}: ${what.says}`);
  at("signal").hidden = false;
  clearTimeout(colour);
  colour = setTimeout(() => { delete document.body.dataset.signal; at("signal").hidden = true; }, COLOUR_MS);
};
const nextMode = () => {
  mode = MODES[(MODES.indexOf(mode) + 1) % MODES.length];
  localStorage.setItem("signals", mode);
  buttons(shown);
};

const buttons = (what) => {
  const made = what.form && what.place.has_keys
    ? [{ key: "\r", label: `Enter ${what.form.does}`, types: true }, { key: "escape", label: "Back" },
       ...(what.form.fields.length > 1 ? [{ key: "tab", label: "Next line", types: true }] : []),
       ...what.buttons.filter((one) => one.alarm)]
    : what.place.has_keys ? [...what.buttons, ...(what.photo ? [{ photo: true, label: "photo" }] : []), { mode: true, label: mode }]
    : what.place.asks === "asked" ? [] : [{ asks: true, label: "Ask for the keys" }];
  const key = JSON.stringify(made);
  if (drawn.buttons === key) return;
  drawn.buttons = key;
  at("buttons").replaceChildren(...made.map((one) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = one.label;
    if (one.alarm) button.className = "alarm";
    button.addEventListener("click", () => one.asks ? say({ asks: true }) : one.photo ? asksPhoto() : one.mode ? nextMode() : press(...(one.types ? typed() : []), one.key));
    return button;
  }));
};

const trace = (what) => {
  const one = at("trace");
  if (!what) { one.replaceChildren(); return; }
  const made = (tag, attributes) => {
    const part = document.createElementNS("http://www.w3.org/2000/svg", tag);
    for (const [name, value] of Object.entries(attributes)) part.setAttribute(name, value);
    return part;
  };
  const up = (part) => 195 - part * 190;
  one.replaceChildren(
    ...[what.low, what.high].filter((part) => part > 0).map((part) => made("line", { x1: 0, x2: 1000, y1: up(part), y2: up(part) })),
    made("polyline", { points: what.points.map(([x, y]) => `${x * 1000},${up(y)}`).join(" ") }));
};

const bench = (what) => {
  // The word a verdict would have now stands in the letters of everything else: from afar it must pass for none.
  const verdict = what.verdict && !what.verdict.so_far ? what.verdict : null, word = at("word");
  const soFar = what.verdict && what.verdict.so_far ? `${what.verdict.shape} ${what.verdict.word} so far` : "";
  const kind = verdict ? verdict.word : "none";
  const between = upright() ? "\n" : " ";
  const says = verdict ? `${verdict.shape}${between}${verdict.word}`
    : (what.progress || what.pack || "no pack chosen").replaceAll(", ", `,${between}`);
  if (word.textContent !== says || word.className !== kind) { word.textContent = says; word.className = kind; }
  text("mean", [soFar, what.mean].filter(Boolean).join("\n"));
  text("leaks", what.leaks);
  text("next", what.next);
  text("travel", what.travel);
  text("moves", `${what.moves}, reading ${what.reading}`);
  text("about", [what.pack, what.progress, what.range && `range ${what.range}`, what.air && `air ${what.air}`].filter(Boolean).join(", "));
  all("strokes", what.strokes.map((one) => ["li", `${one.n}  ${one.travel}  ${one.says}`]));
  all("packs", what.packs.map((one) => ["li", `${one.shape} ${one.name} ${one.says}`, one.here ? "here" : ""]));
  all("told", [what.said, what.then, what.fixture, ...what.notes, ...what.advice].filter(Boolean).map((one) => ["p", one]));
  text("links", what.links);
  trace(what.trace);
  fit();
};

const rows = (what) => text("rows", (upright() ? what.upright_rows : what.rows).join("\n"));

const draw = (what) => {
  shown = what;
  at("bench").hidden = what.screen !== "bench";
  at("other").hidden = what.screen === "bench";
  text("names", [`bench ${what.bench}`, what.unit && `unit ${what.unit}`, what.technician && `tech ${what.technician}`,
    what.fitted && `fitted ${what.fitted}`].filter(Boolean).join("   "));
  document.title = `Bench ${what.bench}`;
  all("urgent", what.urgent.map((one) => ["p", `${one.label} ${one.text}`]));
  text("looking", what.looking);
  if (what.screen === "bench") bench(what); else rows(what);
  form(what.form);
  photo(what.place.has_keys ? what.photo : null);
  buttons(what);
};

const old = () => {
  if (performance.now() - heard < OLD_MS) return;
  at("bench").hidden = at("other").hidden = at("form").hidden = at("photo").hidden = true;
  drawn.buttons = drawn.fields = null;
  at("buttons").replaceChildren();
  all("urgent", [["p", "WARNING This page hears nothing from the bench. Do not apply air by it: look at the bench's own screen."]]);
};
setInterval(old, 500);

const events = new EventSource("events");
events.addEventListener("face", (event) => { ({ face, token: needsToken } = JSON.parse(event.data)); });
events.addEventListener("bench", (event) => { heard = performance.now(); draw(JSON.parse(event.data)); });
events.addEventListener("signal", (event) => { signal(JSON.parse(event.data)); });
events.addEventListener("ended", () => { heard = -Infinity; old(); });
