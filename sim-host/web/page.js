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

let view, limits, tank = 0, plays = false, asked = true;

function show(answer) {
  if (answer.view) {
    view = answer.view;
    tank = Math.max(0, Math.min(tank, view.tanks.length - 1));
    $("bench").hidden = false;
    draw();
  }
  if (answer.message || asked) $("message").textContent = answer.message;
  if (answer.menu) openMenu(answer.menu);
  if (answer.clock !== undefined) askClock(answer);
  if (answer.panel) drawPanel(answer.panel);
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

/** Items of `text`, each with what is `more` below it. */
function fill(list, items) {
  const key = JSON.stringify(items);
  if (list.dataset.key === key) return;
  list.dataset.key = key;
  list.replaceChildren(...items.map(({ text, more = [], kind }) => {
    const item = element("li", more.length ? "" : text, kind ? { class: kind } : {});
    if (more.length) item.append(element("div", text, { class: "state" }), ...more.map((line) => element("div", line)));
    return item;
  }));
}

function draw() {
  const dark = view.dark ? " · POWER IS OFF" : "";
  tell($("clock"), `${plays ? "plays" : "paused"}${dark} · ${view.moment.replace(/\.\d+$/, "")} · ${view.civil || ""} · ${view.site}`);
  tell($("feed"), view.feed);
  tell($("wires"), view.wires);
  tell($("delivered"), view.delivered ?? "");
  drawTable();
  $("picture").innerHTML = picture();
  $("picture-more").hidden = $("picture").scrollWidth <= $("picture").clientWidth;
  const alarms = [
    ...view.violations.map((text) => ({ text: `RULE IS BROKEN: ${text}`, kind: "broken" })),
    ...view.alarms.map(({ code, state, happened, done, look }) => (
      { text: `${code} · ${state}`, more: [`${happened} ${done}`, `→ ${look}`] })),
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
      for (let i = 0; i < 6; i++) row.insertCell();
    }
    const chosen = index === tank;
    row.setAttribute("aria-selected", chosen);
    const button = row.cells[0].firstChild;
    tell(button, `tank ${each.number}${chosen ? ", chosen" : ""}`);
    button.setAttribute("aria-pressed", chosen);
    const faults = each.faults.map((fault) => `(at the bench: ${fault})`);
    const left = `${each.left} (${each.left_percent} %)`;
    const step = each.step ? [`step: ${each.step}`] : [];
    [each.duty, left, each.valve, each.goes_to, [...logic(each), ...step].join("; "), [...each.why, ...faults].join("; ")]
      .forEach((text, cell) => tell(row.cells[cell + 1], text));
    row.cells[5].className = each.logic?.is_wrong ? "wrong" : "";
  });
}

/** What the logic takes of a tank's valve, where that is not plainly so; marked where it is wrong. */
const logic = (each) => each.logic ? [`${each.logic.is_wrong ? "! " : ""}the logic ${each.logic.text}`] : [];

// ---- the picture ---------------------------------------------------------------------------------------

const escaped = (text) => text.replace(/[&<>"]/g, (letter) => `&#${letter.charCodeAt(0)};`);

/** The pipes that a tank's valve truly leaves open, and whether water runs there. */
function pipes(each) {
  const state = (...names) => {
    const open = each.ways.filter(({ way }) => names.includes(way));
    return open.some(({ runs }) => runs) ? "flows" : open.length ? "open" : "";
  };
  const all = each.ways.map(({ way }) => way);
  return {
    feed: state(...all),
    building: state("building"),
    past: state("past-bed"),
    drain: state("drain", "brine-to-drain", "drain-past-bed"),
    brine: state("brine-to-drain") || (state("brine-tank") && "flows reverse"),
  };
}

/** A text in lines of so many letters, broken between words. */
function lines(text, letters) {
  const broken = [];
  for (const word of text.split(" ")) {
    const last = broken.at(-1);
    if (last !== undefined && last.length + 1 + word.length <= letters) broken.push(`${broken.pop()} ${word}`);
    else broken.push(word);
  }
  return broken;
}

function picture() {
  // On a telephone two tanks fit side by side.
  const narrow = $("picture").clientWidth < 480;
  const [WIDE, LEFT, letters] = narrow ? [122, 102, 17] : [190, 130, 26];
  const right = LEFT + WIDE * view.tanks.length, width = right + 8;
  const pipe = (points, state) => `<polyline class="pipe ${state || ""}" points="${points}"/>`;
  // What crosses another pipe passes over it.
  const casing = (points) => `<polyline class="casing" points="${points}"/>`;
  const word = (x, y, text, more = "") => `<text x="${x}" y="${y}" ${more}>${escaped(text)}</text>`;
  const all = view.tanks.map(pipes);
  const most = (way) => all.map((each) => each[way] || "").sort((a, b) => b.length - a.length)[0];
  const building = [most("building"), most("past")].sort((a, b) => b.length - a.length)[0];
  const parts = [
    pipe(`10,30 ${right},30`, most("feed")), word(10, 22, "feed water"),
    pipe(`${right},262 ${LEFT},262`, building), word(LEFT - 8, 266, "to the building", 'text-anchor="end"'),
    pipe(`${right},290 ${LEFT},290`, most("drain")), word(LEFT - 8, 294, "to the drain", 'text-anchor="end"'),
  ];
  parts.push(`<rect class="vessel" x="14" y="150" width="80" height="76" rx="4"/>`, word(22, 192, "brine tank"));
  parts.push(pipe(`54,150 54,58 ${right},58`, most("brine")));
  let height = 340;
  view.tanks.forEach((each, index) => {
    const x = LEFT + WIDE * index + WIDE / 2, open = all[index];
    const filled = 120 * each.left_percent / 100;
    const runs = each.ways.some(({ runs }) => runs);
    const step = each.step ? [`step: ${each.step}`] : [];
    const below = [`${runs ? "→" : "·"} ${each.goes_to}`, ...step, ...logic(each)].flatMap((text) => lines(text, letters));
    height = Math.max(height, 336 + 17 * below.length);
    parts.push(
      `<g class="${index === tank ? "chosen" : ""}">`,
      open.past ? casing(`${x - 54},48 ${x - 54},68`) + pipe(`${x - 54},30 ${x - 54},262`, open.past) : "",
      casing(`${x},48 ${x},68`), pipe(`${x},30 ${x},96`, open.feed),
      pipe(`${x + 24},58 ${x + 24},96`, open.brine),
      pipe(`${x - 20},224 ${x - 20},262`, open.building),
      casing(`${x + 20},252 ${x + 20},272`), pipe(`${x + 20},224 ${x + 20},290`, open.drain),
      `<rect class="left" x="${x - 44}" y="${222 - filled}" width="88" height="${filled}"/>`,
      `<rect class="vessel" x="${x - 45}" y="96" width="90" height="128" rx="14"/>`,
      word(x, 150, `${each.left_percent} %`, 'text-anchor="middle"'),
      ...lines(each.valve, 12).map((text, line) => word(x, 170 + 16 * line, text, 'text-anchor="middle"')),
      word(x, 314, `tank ${each.number}: ${each.duty}`, 'text-anchor="middle" font-weight="bold"'),
      ...below.map((text, line) => word(x, 331 + 17 * line, text, 'text-anchor="middle"')),
      "</g>",
    );
  });
  const told = view.tanks.map((each) => [
    `tank ${each.number} ${each.duty}`, `${each.left_percent} % left`, `valve ${each.valve}`,
    `its water goes to: ${each.goes_to}`, ...logic(each),
  ].join(", "));
  return `<svg viewBox="0 0 ${width} ${height}" width="${width}" style="min-width: ${Math.round(0.85 * width)}px" role="img" class="${plays ? "" : "standing"}"
    aria-label="${escaped(`The plant: ${told.join("; ")}`)}">${parts.join("")}</svg>`;
}

addEventListener("resize", () => { if (view) draw(); });

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

/** A `short` or `long` way on (1) or back (-1). */
function jump(length, way) {
  want({ do: "jump", to_ms: Math.max(0, view.now_ms + way * limits[`${length}_jump_ms`]) });
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

// ---- the clock -----------------------------------------------------------------------------------------

function askClock({ clock, message }) {
  $("clock-to").value ||= clock.replace(" ", "T");
  $("clock-wrong").textContent = message;
  if (!$("clock-ask").open) $("clock-ask").showModal();
  $("clock-to").focus();
}

$("clock-form").onsubmit = (event) => {
  event.preventDefault();
  $("clock-ask").close();
  want({ do: "set-clock", to: $("clock-to").value });
};
$("clock-leave").onclick = () => $("clock-ask").close();
$("clock-ask").onclose = () => { if (!$("clock-ask").open) $("clock-to").value = ""; };

// ---- the panel of a board ------------------------------------------------------------------------------

const BUTTONS = ["up", "down", "back", "enter"];
/** Levels are told this often while a button is down, and for so long after a short press. */
const POLL_MS = 40, SHORTEST_MS = 100;
const down = new Map();
let polls;

function drawPanel({ rows, dots, part }) {
  const image = new ImageData(128, 64);
  dots.forEach((line, y) => [...line].forEach((digit, four) => {
    for (let x = 0; x < 4; x++) {
      const lit = parseInt(digit, 16) & (8 >> x), at = 4 * (y * 128 + 4 * four + x);
      image.data.set(lit ? [215, 240, 255, 255] : [0, 0, 0, 255], at);
    }
  }));
  $("dots").getContext("2d").putImageData(image, 0, 0);
  const texts = rows.filter(({ text, percent }) => text || percent !== null).map(({ text, look, percent }) => {
    const bar = percent === null ? "" : `${percent} % full, `;
    return `${look === "marked" ? "chosen: " : ""}${bar}${text.replace(/ {2,}/g, ", ").trim()}`;
  });
  if (part) texts.push(`rows ${part[0]} to ${Math.min(part[0] + 6, part[1])} of ${part[1]}`);
  fill($("panel-rows"), (texts.length ? texts : ["the display is dark"]).map((text) => ({ text })));
}

/** What a press has led to is read aloud; what changes by itself is not. */
function tellPanel() {
  tell($("panel-told"), [...$("panel-rows").children].map((row) => row.textContent).join(". "));
}

function showPanel(shown) {
  $("panel-section").hidden = !shown;
  $("panel-show").setAttribute("aria-expanded", shown);
  want({ do: "show-panel", shown });
  if (shown) $("panel").focus();
}

/** A button goes down or up; the board's own debouncing makes presses of it. */
function level(button, pressed) {
  if (pressed) down.set(button, performance.now());
  else if (down.has(button)) {
    // Whoever is quicker than the debouncing is waited for.
    const left = SHORTEST_MS - (performance.now() - down.get(button));
    if (left > 0) { setTimeout(() => level(button, false), left); return; }
    down.delete(button);
  }
  if (polls) return;
  let rest = SHORTEST_MS;
  polls = setInterval(() => {
    want({ do: "levels", at_ms: Math.round(performance.now()), pressed: BUTTONS.map((each) => down.has(each)) }, true);
    tellPanel();
    rest = down.size ? SHORTEST_MS : rest - POLL_MS;
    if (rest <= 0) { clearInterval(polls); polls = undefined; }
  }, POLL_MS);
}

const press = (button, held) => { want({ do: "press", button, held }); tellPanel(); };
const PANEL_KEYS = { ArrowUp: "up", ArrowDown: "down", ArrowLeft: "back", Backspace: "back", Enter: "enter" };

/** The panel's button that a key on the panel is; on one of its buttons enter and space are that one. */
function panelButton(event) {
  const own = event.target.dataset.button;
  return own && ["Enter", " "].includes(event.key) ? own : PANEL_KEYS[event.key];
}

$("panel").addEventListener("keydown", (event) => {
  const button = panelButton(event);
  if (!button || event.ctrlKey || event.altKey || event.metaKey) return;
  event.preventDefault();
  event.stopPropagation();
  if (!event.repeat) level(button, true);
});
$("panel").addEventListener("keyup", (event) => {
  const button = panelButton(event);
  if (button) { event.preventDefault(); level(button, false); }
});
$("panel").addEventListener("focusout", (event) => {
  if (!$("panel").contains(event.relatedTarget)) [...down.keys()].forEach((button) => level(button, false));
});
for (const each of document.querySelectorAll("[data-button]")) {
  const button = each.dataset.button;
  each.addEventListener("pointerdown", () => level(button, true));
  for (const end of ["pointerup", "pointerleave", "pointercancel"]) {
    each.addEventListener(end, () => { if (down.has(button)) level(button, false); });
  }
  // A click that no finger and no key has made comes from assistive technology.
  each.addEventListener("click", (event) => { if (event.detail === 0 && !down.size) press(button, 0); });
}
for (const each of document.querySelectorAll("[data-meant]")) each.onclick = () => press(each.dataset.meant, 1);
$("panel-show").onclick = () => showPanel($("panel-section").hidden);

// ---- keys ----------------------------------------------------------------------------------------------

const KEYS = [
  [" ", "space", "time passes, or stands", () => play(!plays)],
  ["n", "n", "on to the next thing that the logic writes", () => { play(false); want({ do: "next" }); }],
  ["+", "+", "faster", () => speedBy(1)],
  ["-", "-", "slower", () => speedBy(-1)],
  ["ArrowRight", "right", "10 min on", () => jump("short", 1)],
  ["ArrowLeft", "left", "10 min back: what was done after it is forgotten", () => jump("short", -1)],
  [".", "> or .", "a day on", () => jump("long", 1)],
  [",", "< or ,", "a day back", () => jump("long", -1)],
  ["w", "w", "water that the building draws", () => menu("water")],
  ["o", "o", "what an operator asks of the chosen tank", () => menu("operator")],
  ["c", "c", "contacts", () => menu("contacts")],
  ["f", "f", "faults of the chosen tank's valve", () => menu("faults")],
  ["p", "p", "power", () => menu("power")],
  ["k", "k", "clock: set it, move it, lose it", () => menu("clock")],
  ["b", "b", "the panel of a board, with its display and buttons; b again: put it away", () => showPanel($("panel-section").hidden)],
  ["m", "m", "what happens to water, salt and pressure", () => menu("plant")],
  ["s", "s", "save what was done as a scenario", save],
  ["?", "?", "this list", () => $("keys").showModal()],
];
const byKey = new Map(KEYS.map(([key, , , act]) => [key, act]));
for (const [key, same] of [["=", "+"], [">", "."], ["<", ","], ["h", "?"]]) byKey.set(key, byKey.get(same));

function speedBy(step) {
  const { speeds } = limits, at = speeds.indexOf(Number($("speed").value));
  $("speed").value = speeds[Math.max(0, Math.min(speeds.length - 1, at + step))];
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
for (const button of document.querySelectorAll("[data-jump]")) {
  button.onclick = () => jump(button.dataset.jump, Number(button.dataset.way));
}
for (const button of document.querySelectorAll("[data-menu]")) button.onclick = () => menu(button.dataset.menu);
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
  let plants;
  ({ plants, limits } = ask({ do: "plants" }));
  $("speed").replaceChildren(...limits.speeds.map((factor) => element("option", `×${factor}`, { value: factor })));
  $("speed").value = 60;
  $("plant").replaceChildren(...plants.map(([name, site]) => element("option", site, { value: name })));
  want({ do: "begin", plant: plants[0][0], recording: false, full: false });
}).catch((error) => {
  $("caution").textContent = `This browser cannot run the plant: ${error.message}`;
  throw error;
});
