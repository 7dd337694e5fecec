"use strict";
const $ = (id) => document.getElementById(id);

// ---- the program ---------------------------------------------------------------------------------------

let program;

async function load() {
  const packed = atob($("program").textContent.trim());
  const bytes = Uint8Array.from(packed, (letter) => letter.charCodeAt(0));
  const { instance } = await WebAssembly.instantiate(bytes, {});
  program = instance.exports;
}

function ask(request) {
  const bytes = new TextEncoder().encode(JSON.stringify(request));
  const room = program.room(bytes.length);
  new Uint8Array(program.memory.buffer, room, bytes.length).set(bytes);
  const at = program.ask();
  const answer = new Uint8Array(program.memory.buffer, at, program.answer_length());
  return JSON.parse(new TextDecoder().decode(answer));
}

// ---- what there is to see ------------------------------------------------------------------------------

const SPEEDS = [1, 10, 60, 300, 1000, 3600, 10000];
const DAY_MS = 86400000;
let view, tank = 0, plays = false, asked = true;

function show(answer) {
  if (answer.view) {
    view = answer.view;
    tank = Math.max(0, Math.min(tank, view.tanks.length - 1));
    $("bench").hidden = false;
    draw();
  }
  if (answer.message || asked) $("message").textContent = answer.message;
  if (answer.menu) openMenu(answer.menu);
  return answer;
}

/** Asks for something that a person wants; `quiet` where only time passes. */
function want(request, quiet = false) {
  asked = !quiet;
  try {
    const answer = show(ask(request));
    if (quiet && answer.message) play(false);
    return answer;
  } catch (error) {
    play(false);
    $("message").textContent = `the bench itself failed: ${error.message}; load the page again`;
    throw error;
  }
}

/** Sets an element's text where it changed, so that nobody is told twice. */
function tell(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

function element(name, text, attributes = {}) {
  const made = document.createElement(name);
  made.textContent = text;
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  return made;
}

function fill(list, items) {
  const key = JSON.stringify(items);
  if (list.dataset.key === key) return;
  list.dataset.key = key;
  list.replaceChildren(...items.map(({ text, broken }) => element("li", text, broken ? { class: "broken" } : {})));
}

function draw() {
  const dark = view.dark ? " · POWER IS OFF" : "";
  tell($("clock"), `${plays ? "plays" : "paused"}${dark} · ${view.moment.replace(/\.\d+$/, "")} · ${view.civil || ""} · ${view.site}`);
  tell($("feed"), view.feed);
  tell($("wires"), view.wires);
  tell($("delivered"), view.delivered ?? "");
  drawTable();
  $("picture").innerHTML = picture();
  const alarms = [
    ...view.violations.map((text) => ({ text: `RULE IS BROKEN: ${text}`, broken: true })),
    ...view.alarms.map(([slug, look]) => ({ text: `${slug}: ${look}` })),
  ];
  fill($("alarms"), alarms.length ? alarms : [{ text: "none" }]);
  fill($("journal"), view.journal.map(([when, what]) => ({ text: `${when}  ${what}` })).reverse());
}

function drawTable() {
  const body = $("tanks").tBodies[0];
  while (body.rows.length > view.tanks.length) body.deleteRow(-1);
  view.tanks.forEach((each, index) => {
    let row = body.rows[index];
    if (!row) {
      row = body.insertRow();
      const choose = element("button", "", { type: "button" });
      choose.onclick = () => { tank = index; draw(); };
      row.append(element("th", "", { scope: "row" }));
      row.cells[0].append(choose);
      for (let i = 0; i < 5; i++) row.insertCell();
    }
    const chosen = index === tank;
    row.setAttribute("aria-selected", chosen);
    const button = row.cells[0].firstChild;
    tell(button, `tank ${each.number}${chosen ? ", chosen" : ""}`);
    button.setAttribute("aria-pressed", chosen);
    const faults = each.faults.map((fault) => `(at the bench: ${fault})`);
    const left = `${each.left} (${each.left_percent} %)`;
    [each.duty, left, each.valve, each.goes_to, [...each.why, ...faults].join("; ")]
      .forEach((text, cell) => tell(row.cells[cell + 1], text));
  });
}

// ---- the picture ---------------------------------------------------------------------------------------

const escaped = (text) => text.replace(/[&<>"]/g, (letter) => `&#${letter.charCodeAt(0)};`);

/** Which ways a valve opens, and whether water runs there. */
function ways(each) {
  const draws = each.to_building && view.flows;
  switch (each.position) {
    case "service": return { feed: draws ? "flows" : "open", building: each.to_building ? (draws ? "flows" : "open") : "" };
    case "backwash": case "slow-rinse": case "fast-rinse": return { feed: "flows", drain: "flows" };
    case "brine-draw": return { feed: "flows", brine: "flows", drain: "flows" };
    case "brine-refill": return { feed: "flows", brine: "flows reverse" };
    default: return {};
  }
}

function picture() {
  const WIDE = 170, LEFT = 130, width = LEFT + WIDE * view.tanks.length + 110;
  const right = width - 105;
  const pipe = (points, state) => `<polyline class="pipe ${state || ""}" points="${points}"/>`;
  // What crosses another pipe passes over it.
  const casing = (points) => `<polyline class="casing" points="${points}"/>`;
  const word = (x, y, text, more = "") => `<text x="${x}" y="${y}" ${more}>${escaped(text)}</text>`;
  const all = view.tanks.map(ways);
  const most = (way) => all.map((each) => each[way] || "").sort((a, b) => b.length - a.length)[0];
  const parts = [
    pipe(`10,30 ${right},30`, most("feed")), word(10, 22, "feed water"),
    pipe(`${LEFT},262 ${right},262`, most("building")), word(right + 6, 266, "to the building"),
    pipe(`${LEFT},290 ${right},290`, most("drain")), word(right + 6, 294, "to the drain"),
  ];
  const brine = most("brine");
  parts.push(`<rect class="vessel" x="14" y="150" width="80" height="76" rx="4"/>`, word(22, 192, "brine tank"));
  parts.push(pipe(`54,150 54,58 ${right},58`, brine));
  view.tanks.forEach((each, index) => {
    const x = LEFT + WIDE * index + WIDE / 2, open = all[index];
    const height = 120 * each.left_percent / 100;
    parts.push(
      `<g class="${index === tank ? "chosen" : ""}">`,
      casing(`${x},48 ${x},68`), pipe(`${x},30 ${x},96`, open.feed),
      pipe(`${x + 24},58 ${x + 24},96`, open.brine),
      pipe(`${x - 20},224 ${x - 20},262`, open.building),
      casing(`${x + 20},252 ${x + 20},272`), pipe(`${x + 20},224 ${x + 20},290`, open.drain),
      `<rect class="left" x="${x - 44}" y="${222 - height}" width="88" height="${height}"/>`,
      `<rect class="vessel" x="${x - 45}" y="96" width="90" height="128" rx="14"/>`,
      word(x, 158, `${each.left_percent} %`, 'text-anchor="middle"'),
      word(x, 176, each.turns ? "valve turns" : each.position ?? "between", 'text-anchor="middle"'),
      word(x, 314, `tank ${each.number}: ${each.duty}`, 'text-anchor="middle" font-weight="bold"'),
      word(x, 331, each.goes_to ? `→ ${each.goes_to}` : "", 'text-anchor="middle"'),
      "</g>",
    );
  });
  const told = view.tanks.map((each) => `tank ${each.number} ${each.duty}, ${each.left_percent} % left, valve ${each.valve}`);
  return `<svg viewBox="0 0 ${width} 340" width="${width}" role="img" class="${plays ? "" : "standing"}"
    aria-label="${escaped(`The plant: ${told.join("; ")}`)}">${parts.join("")}</svg>`;
}

// ---- time ----------------------------------------------------------------------------------------------

function play(wanted) {
  plays = wanted;
  $("play").setAttribute("aria-pressed", plays);
  tell($("play"), plays ? "pause" : "play");
  if (plays) { last = performance.now(); requestAnimationFrame(pass); }
  if (view) draw();
}

let last = 0, owed = 0;
function pass(now) {
  if (!plays) return;
  // A page that was hidden does not make up for it.
  const elapsed = Math.min(now - last, 200);
  last = now;
  if (!document.querySelector("dialog[open]")) {
    owed += elapsed * Number($("speed").value);
    const ms = Math.floor(owed);
    owed -= ms;
    if (ms > 0) want({ do: "advance", ms }, true);
  }
  requestAnimationFrame(pass);
}

function goBy(ms) {
  want({ do: "jump", to_ms: Math.max(0, view.now_ms + ms) });
}

// ---- lists of what can be done -------------------------------------------------------------------------

function openMenu({ title, items }) {
  $("menu-title").textContent = title;
  $("items").replaceChildren(...items.map((words, item) => {
    const button = element("button", words, { type: "button" });
    button.onclick = () => { $("menu").close(); want({ do: "choose", item }); };
    return button;
  }));
  $("menu").showModal();
  $("items").firstChild?.focus();
}

$("menu").addEventListener("keydown", (event) => {
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  const buttons = [...$("items").children], at = buttons.indexOf(document.activeElement);
  if (!step || at < 0) return;
  event.preventDefault();
  buttons[Math.max(0, Math.min(buttons.length - 1, at + step))].focus();
});
$("leave").onclick = () => $("menu").close();

const menu = (of) => want({ do: "menu", of, tank });

function save() {
  const { scenario } = want({ do: "save" });
  const link = element("a", "", { href: URL.createObjectURL(new Blob([scenario], { type: "text/plain" })), download: "bench.toml" });
  link.click();
  URL.revokeObjectURL(link.href);
  $("message").textContent = "saved as bench.toml; `bedkeeper verify bench.toml` runs it again";
}

// ---- keys ----------------------------------------------------------------------------------------------

const KEYS = [
  [" ", "space", "time passes, or stands", () => play(!plays)],
  ["n", "n", "on to the next thing that the logic writes", () => { play(false); want({ do: "next" }); }],
  ["+", "+", "faster", () => speedBy(1)],
  ["-", "-", "slower", () => speedBy(-1)],
  ["ArrowRight", "right", "10 min on", () => goBy(600000)],
  ["ArrowLeft", "left", "10 min back: what was done after it is forgotten", () => goBy(-600000)],
  ["PageDown", "page down", "a day on", () => goBy(DAY_MS)],
  ["PageUp", "page up", "a day back", () => goBy(-DAY_MS)],
  ["w", "w", "water that the building draws", () => menu("water")],
  ["o", "o", "what an operator asks of the chosen tank", () => menu("operator")],
  ["c", "c", "contacts", () => menu("contacts")],
  ["f", "f", "faults of the chosen tank's valve", () => menu("faults")],
  ["p", "p", "power", () => menu("power")],
  ["k", "k", "clock", () => menu("clock")],
  ["m", "m", "what happens to water, salt and pressure", () => menu("plant")],
  ["s", "s", "save what was done as a scenario", save],
  ["?", "?", "this list", () => $("keys").showModal()],
];
const byKey = new Map(KEYS.map(([key, , , act]) => [key, act]));

function speedBy(step) {
  const at = SPEEDS.indexOf(Number($("speed").value));
  $("speed").value = SPEEDS[Math.max(0, Math.min(SPEEDS.length - 1, at + step))];
}

document.addEventListener("keydown", (event) => {
  if (!view || document.querySelector("dialog[open]") || event.ctrlKey || event.altKey || event.metaKey) return;
  const typed = event.target.closest("select, input");
  const pressed = event.target.closest("button") && event.key === " ";
  if (typed || pressed) return;
  if (/^[1-8]$/.test(event.key)) {
    tank = Math.min(Number(event.key), view.tanks.length) - 1;
    draw();
    return;
  }
  const act = byKey.get(event.key);
  if (act) {
    event.preventDefault();
    act();
  }
});

// ---- buttons -------------------------------------------------------------------------------------------

$("play").onclick = () => play(!plays);
$("next").onclick = byKey.get("n");
$("save").onclick = save;
$("help").onclick = byKey.get("?");
for (const button of document.querySelectorAll("[data-by]")) button.onclick = () => goBy(Number(button.dataset.by));
for (const button of document.querySelectorAll("[data-menu]")) button.onclick = () => menu(button.dataset.menu);
$("speed").replaceChildren(...SPEEDS.map((factor) => element("option", `×${factor}`, { value: factor })));
$("speed").value = 60;
$("key-list").replaceChildren(...[...KEYS, [, "1 to 8", "choose a tank"]]
  .flatMap(([, name, what]) => [element("dt", name), element("dd", what)]));
$("begin").onsubmit = (event) => {
  event.preventDefault();
  play(false);
  const recording = $("water").value === "recording", full = $("modelled").value === "full";
  want({ do: "begin", plant: $("plant").value, recording, full });
};
$("file").onchange = async () => {
  const [file] = $("file").files;
  if (!file) return;
  play(false);
  want({ do: "begin-with", name: file.name, text: await file.text(), full: $("modelled").value === "full" });
  $("file").value = "";
};

load().then(() => {
  const { plants } = ask({ do: "plants" });
  $("plant").replaceChildren(...plants.map(([name, site]) => element("option", site, { value: name })));
  want({ do: "begin", plant: plants[0][0], recording: false, full: false });
}).catch((error) => {
  $("caution").textContent = `This browser cannot run the plant: ${error.message}`;
  throw error;
});
