"use strict";
// Zoom, pan and reading aloud for the time line. The page is complete without it.
(() => {
  const plots = document.getElementById("plots");
  const status = document.getElementById("view-status");
  const readout = document.getElementById("readout");
  const cursor = document.getElementById("cursor");
  const tip = document.getElementById("tip");
  const axis = plots.querySelector(".axis");
  const grid = plots.querySelector(".grid");
  const span = Math.max(1, Number(plots.dataset.span));
  const start = plots.dataset.start ? Date.parse(plots.dataset.start + "Z") : null;
  const sinceMidnight = Number(plots.dataset.sinceMidnight);
  const SECOND = 1000, MINUTE = 60 * SECOND, HOUR = 60 * MINUTE, DAY = 24 * HOUR;
  const narrowest = Math.min(span, 5 * MINUTE);
  const NARROWEST_ITEM_PX = 3, LETTER_PX = 7;
  const SVG = "http://www.w3.org/2000/svg";
  const view = { from: 0, to: span };

  const items = [...plots.querySelectorAll(".item")].map((node) => {
    const title = node.querySelector("title");
    const [heading, when, ...text] = title.textContent.split("\n");
    node.setAttribute("aria-label", [heading, when, ...text].join(". "));
    title.remove();
    return {
      node, heading, when, text: text.join(" "), label: node.querySelector("text"),
      from: Number(node.dataset.from), to: Number(node.dataset.to), lane: node.closest(".lane"),
    };
  });
  const itemOf = new Map(items.map((item) => [item.node, item]));
  const events = items.filter((item) => "event" in item.node.dataset).sort((a, b) => a.from - b.from);
  const curves = [...plots.querySelectorAll(".curve")].map((node) => ({ node, height: node.viewBox.baseVal.height }));
  const series = [...plots.querySelectorAll("script.values")].map((node) => ({
    name: node.dataset.name, quantity: node.dataset.quantity,
    width: Number(node.dataset.width), values: JSON.parse(node.textContent),
  }));

  // Words for moments and quantities.
  const two = (n) => String(n).padStart(2, "0");
  const DAYS = ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"];
  const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
  const withYear = span > 300 * DAY;
  function day(at) {
    if (start === null) return "day " + (Math.floor(at / DAY) + 1);
    const date = new Date(start + at);
    return `${DAYS[date.getUTCDay()]} ${date.getUTCDate()} ${MONTHS[date.getUTCMonth()]}`;
  }
  function clock(at, seconds) {
    const ofDay = Math.floor((((at + sinceMidnight) % DAY) + DAY) % DAY / SECOND);
    const text = `${two(Math.floor(ofDay / 3600))}:${two(Math.floor(ofDay / 60) % 60)}`;
    return seconds ? `${text}:${two(ofDay % 60)}` : text;
  }
  function moment(at) {
    const year = withYear && start !== null ? " " + new Date(start + at).getUTCFullYear() : "";
    return `${day(at)}${year}, ${clock(at)}`;
  }
  function length(ms) {
    if (ms >= 2 * DAY) return `${(ms / DAY).toFixed(1).replace(/\.0$/, "")} days`;
    if (ms >= 2 * HOUR) return `${(ms / HOUR).toFixed(1).replace(/\.0$/, "")} h`;
    return `${Math.round(ms / MINUTE)} min`;
  }
  const grouped = (n) => n.toFixed(Math.abs(n) < 99.95 ? 1 : 0).replace(/\B(?=(\d{3})+(?!\d)(?<!\.\d*))/g, "\u202f");

  // Drawing.
  let pending = false;
  function setView(from, to) {
    const width = Math.min(span, Math.max(narrowest, to - from));
    const middle = (from + to) / 2;
    view.from = Math.min(span - width, Math.max(0, middle - width / 2));
    view.to = view.from + width;
    if (!pending) {
      pending = true;
      requestAnimationFrame(() => { pending = false; draw(axis.clientWidth); });
    }
    status.dataset.from = view.from;
    status.dataset.to = view.to;
  }
  const share = (at) => (at - view.from) / (view.to - view.from);
  function draw(widthPx) {
    hideCursor();
    for (const item of items) {
      const left = share(item.from), right = share(item.to);
      const away = right < 0 || left > 1;
      item.node.style.display = away ? "none" : "";
      if (away) continue;
      const shownLeft = Math.max(-0.01, left), shownRight = Math.min(1.01, right);
      const width = Math.max(NARROWEST_ITEM_PX / widthPx, shownRight - shownLeft);
      item.node.setAttribute("x", shownLeft * 100 + "%");
      item.node.setAttribute("width", width * 100 + "%");
      const inset = left < 0 ? 0.01 * widthPx + 4 : 5;
      item.label.setAttribute("x", inset);
      const room = (Math.min(1, shownRight) - Math.max(0, shownLeft)) * widthPx;
      item.node.classList.toggle("tight", room < item.label.textContent.length * LETTER_PX + 8);
    }
    for (const curve of curves) {
      const box = `${view.from / SECOND} 0 ${(view.to - view.from) / SECOND} ${curve.height}`;
      curve.node.setAttribute("viewBox", box);
    }
    drawTicks(widthPx);
    status.textContent = view.to - view.from >= span
      ? `Showing the whole recording, ${length(span)}.`
      : `Showing ${length(view.to - view.from)}: ${moment(view.from)} to ${moment(view.to)}.`;
  }
  const TICKS = [MINUTE, 5 * MINUTE, 15 * MINUTE, 30 * MINUTE, HOUR, 3 * HOUR, 6 * HOUR, 12 * HOUR,
    DAY, 2 * DAY, 4 * DAY, 7 * DAY, 14 * DAY, 28 * DAY, 91 * DAY, 182 * DAY, 364 * DAY];
  function drawTicks(widthPx) {
    const fit = (view.to - view.from) / Math.max(1, widthPx / 84);
    const step = TICKS.find((candidate) => candidate >= fit) ?? Math.ceil(fit / (364 * DAY)) * 364 * DAY;
    const lines = [], labels = [];
    const first = Math.ceil((view.from + sinceMidnight) / step) * step - sinceMidnight;
    for (let at = first; at <= view.to; at += step) {
      const left = share(at) * 100 + "%";
      const midnight = (at + sinceMidnight) % DAY === 0;
      const line = document.createElementNS(SVG, "line");
      for (const [name, value] of [["x1", left], ["x2", left], ["y1", 0], ["y2", "100%"]]) line.setAttribute(name, value);
      if (midnight) line.classList.add("major");
      lines.push(line);
      if (share(at) * widthPx > widthPx - 78) continue;
      const label = document.createElementNS(SVG, "text");
      label.setAttribute("x", left);
      label.setAttribute("dx", 3);
      label.setAttribute("y", 15);
      label.textContent = midnight ? day(at) : clock(at);
      if (midnight) label.classList.add("day");
      labels.push(label);
    }
    grid.replaceChildren(...lines);
    axis.replaceChildren(...labels);
  }

  // Moving about.
  const at = (clientX) => {
    const box = axis.getBoundingClientRect();
    return view.from + (clientX - box.left) / box.width * (view.to - view.from);
  };
  function zoom(factor, about = (view.from + view.to) / 2) {
    const width = Math.min(span, Math.max(narrowest, (view.to - view.from) * factor));
    const from = about - (about - view.from) / (view.to - view.from) * width;
    setView(from, from + width);
  }
  function pan(shareOfView) {
    const by = shareOfView * (view.to - view.from);
    setView(view.from + by, view.to + by);
  }
  function show(from, to) {
    const margin = Math.max((to - from) * 0.25, 10 * MINUTE);
    setView(from - margin, to + margin);
  }
  function focusItem(item) {
    for (const other of items) other.node.setAttribute("tabindex", "-1");
    item.node.setAttribute("tabindex", "0");
    item.lane.scrollIntoView({ block: "nearest", behavior: "instant" });
    item.node.focus({ preventScroll: true });
  }
  function goToEvent(direction) {
    if (events.length === 0) return;
    const current = events.findIndex((item) => item.node === lastItem);
    let index;
    if (current >= 0) index = current + direction;
    else index = direction > 0 ? events.findIndex((item) => item.from >= view.from) : events.findLastIndex((item) => item.to <= view.to);
    const item = events[Math.min(events.length - 1, Math.max(0, index))];
    show(item.from, item.to);
    draw(axis.clientWidth);
    focusItem(item);
  }
  const actions = {
    in: () => zoom(0.5), out: () => zoom(2), earlier: () => pan(-0.25), later: () => pan(0.25),
    previous: () => goToEvent(-1), next: () => goToEvent(1),
    reset: () => { lastItem = null; hideTip(); setView(0, span); },
  };
  for (const button of document.querySelectorAll("[data-do]")) {
    button.addEventListener("click", () => actions[button.dataset.do]());
  }
  for (const button of document.querySelectorAll("[data-show-from]")) {
    button.hidden = false;
    button.addEventListener("click", () => {
      show(Number(button.dataset.showFrom), Number(button.dataset.showTo));
      document.getElementById("timeline").scrollIntoView();
      plots.focus({ preventScroll: true });
    });
  }
  const KEYS = {
    "+": "in", "=": "in", "-": "out", "_": "out", "\u2212": "out", Home: "reset", Escape: "reset",
    ArrowLeft: "earlier", ArrowRight: "later", PageUp: "previous", PageDown: "next",
  };
  plots.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const item = itemOf.get(document.activeElement);
    if (item && (event.key === "ArrowLeft" || event.key === "ArrowRight")) {
      const lane = items.filter((other) => other.lane === item.lane).sort((a, b) => a.from - b.from);
      const next = lane[lane.indexOf(item) + (event.key === "ArrowRight" ? 1 : -1)];
      if (next) {
        if (next.to < view.from || next.from > view.to) show(next.from, next.to);
        draw(axis.clientWidth);
        focusItem(next);
      }
    } else if (KEYS[event.key]) {
      actions[KEYS[event.key]]();
    } else {
      return;
    }
    event.preventDefault();
  });
  plots.addEventListener("wheel", (event) => {
    if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
      event.preventDefault();
      pan(event.deltaX / axis.clientWidth);
    } else if (event.ctrlKey || event.metaKey || plots.contains(document.activeElement)) {
      // Without one of these the page scrolls, so that the time line is no trap.
      event.preventDefault();
      zoom(Math.exp(Math.sign(event.deltaY) * Math.min(0.5, Math.abs(event.deltaY) / 300)), at(event.clientX));
    }
  }, { passive: false });

  // Pointers: one drags, two pinch.
  const pointers = new Map();
  let gesture = null;
  function beginGesture() {
    const xs = [...pointers.values()];
    gesture = xs.length === 0 ? null : { xs, view: { ...view }, moved: false };
  }
  plots.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    pointers.set(event.pointerId, event.clientX);
    beginGesture();
  });
  window.addEventListener("pointermove", (event) => {
    if (!pointers.has(event.pointerId)) return;
    pointers.set(event.pointerId, event.clientX);
    const xs = [...pointers.values()];
    if (xs.length !== gesture.xs.length) return;
    const width = gesture.view.to - gesture.view.from;
    const box = axis.getBoundingClientRect();
    const time = (x) => gesture.view.from + (x - box.left) / box.width * width;
    if (xs.length === 1) {
      if (!gesture.moved && Math.abs(xs[0] - gesture.xs[0]) < 5) return;
      const by = time(gesture.xs[0]) - time(xs[0]);
      setView(gesture.view.from + by, gesture.view.to + by);
    } else {
      const apart = Math.max(10, Math.abs(gesture.xs[0] - gesture.xs[1]));
      const factor = apart / Math.max(10, Math.abs(xs[0] - xs[1]));
      const held = time((gesture.xs[0] + gesture.xs[1]) / 2);
      const newWidth = Math.min(span, Math.max(narrowest, width * factor));
      const from = held - ((xs[0] + xs[1]) / 2 - box.left) / box.width * newWidth;
      setView(from, from + newWidth);
    }
    gesture.moved = true;
    plots.classList.add("dragging");
    hideTip();
  });
  for (const kind of ["pointerup", "pointercancel"]) {
    window.addEventListener(kind, (event) => {
      if (!pointers.delete(event.pointerId)) return;
      const moved = gesture && gesture.moved;
      beginGesture();
      if (gesture) gesture.moved = moved;
      if (pointers.size === 0) plots.classList.remove("dragging");
      suppressClick = moved && kind === "pointerup";
    });
  }
  let suppressClick = false;
  plots.addEventListener("click", (event) => {
    if (suppressClick) { suppressClick = false; return; }
    const item = itemOf.get(event.target.closest(".item"));
    if (item) { focusItem(item); showTip(item, event.clientX, event.clientY); }
    else { plots.focus({ preventScroll: true }); hideTip(); lastItem = null; }
    point(event.clientX);
  });

  // Reading: what an item says, and what the curves show at a moment.
  let lastItem = null;
  function showTip(item, x, y) {
    const heading = document.createElement("b"), when = document.createElement("span"), text = document.createElement("span");
    heading.textContent = item.heading;
    when.textContent = item.when;
    when.className = "when";
    text.textContent = item.text;
    tip.replaceChildren(heading, when, text);
    tip.hidden = false;
    const box = tip.getBoundingClientRect();
    const room = { x: document.documentElement.clientWidth, y: window.innerHeight };
    const below = y + 18 + box.height < room.y;
    tip.style.left = Math.max(8, Math.min(room.x - box.width - 8, x - box.width / 3)) + "px";
    tip.style.top = Math.max(8, below ? y + 18 : y - box.height - 14) + "px";
  }
  function showTipBeside(item) {
    const box = item.node.querySelector(".fill").getBoundingClientRect();
    showTip(item, Math.max(0, box.left) + Math.min(box.width, 120) / 2, box.bottom - 10);
  }
  function hideTip() { tip.hidden = true; }
  function hideCursor() { cursor.hidden = true; readout.textContent = ""; }
  function valueAt(curve, when) {
    const { values, width } = curve;
    const bucket = Math.floor(when / width);
    let low = 0, high = values.length / 4;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (values[middle * 4] <= bucket) low = middle + 1; else high = middle;
    }
    if (low === 0) return null;
    const [from, min, max, last] = values.slice(low * 4 - 4, low * 4);
    return from === bucket ? [min, max] : [last, last];
  }
  function quantity([min, max], kind) {
    const [unit, customary, size] = {
      flow: ["L/min", "gal/min", 3.785411784], volume: ["L", "gal", 3.785411784],
      hardness: ["mg/L", "gr/gal", 17.118061], pressure: ["kPa", "psi", 6.894757],
    }[kind];
    const shown = (n) => kind === "hardness" && Math.abs(n) < 10 ? n.toFixed(2) : grouped(n);
    const range = (a, b) => shown(a) === shown(b) ? shown(a) : `${shown(a)} to ${shown(b)}`;
    return `${range(min, max)} ${unit} (${range(min / size, max / size)} ${customary})`;
  }
  function point(clientX) {
    const when = at(clientX);
    if (when < view.from || when > view.to) { hideCursor(); return; }
    cursor.hidden = false;
    cursor.style.left = clientX - plots.getBoundingClientRect().left + "px";
    const parts = series.map((curve) => {
      const value = valueAt(curve, when);
      return value && `${curve.name} ${quantity(value, curve.quantity)}${curve.quantity === "volume" ? " left" : ""}`;
    });
    readout.textContent = `${moment(when)}: ${parts.filter(Boolean).join("; ")}`;
  }
  plots.addEventListener("pointermove", (event) => {
    if (pointers.size > 0 || event.pointerType === "touch") return;
    point(event.clientX);
    const item = itemOf.get(event.target.closest(".item"));
    if (item) showTip(item, event.clientX, event.clientY); else hideTip();
  });
  plots.addEventListener("pointerleave", (event) => {
    if (event.pointerType !== "touch") { hideTip(); hideCursor(); }
  });
  plots.addEventListener("focusin", (event) => {
    const item = itemOf.get(event.target);
    if (!item) return;
    lastItem = item.node;
    showTipBeside(item);
  });
  plots.addEventListener("focusout", hideTip);
  window.addEventListener("scroll", () => {
    const focused = itemOf.get(document.activeElement);
    if (focused && !tip.hidden) showTipBeside(focused); else hideTip();
  }, { passive: true });

  // Printing: room for paper's width, and every table open.
  let opened = [];
  window.addEventListener("beforeprint", () => {
    hideTip();
    draw(600);
    opened = [...document.querySelectorAll("details:not([open])")];
    for (const details of opened) details.open = true;
  });
  window.addEventListener("afterprint", () => {
    for (const details of opened) details.open = false;
    draw(axis.clientWidth);
  });

  plots.tabIndex = 0;
  plots.setAttribute("role", "group");
  plots.setAttribute("aria-label", "Time line. Arrow keys move, plus and minus zoom, Page Down reads the next event.");
  for (const node of document.querySelectorAll("#timeline [hidden].controls, #timeline [hidden].status, #readout, #timeline [hidden].help")) node.hidden = false;
  new ResizeObserver(() => draw(axis.clientWidth)).observe(axis);
  setView(0, span);
})();
