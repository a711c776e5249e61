// Things on the site map follow the pointer or the arrow keys, in steps of 0.1 m; each move is sent
// like the form's own fields. What is refused goes back to where it stood, and why is said.
"use strict";
(() => {
  const SNAP_M = 0.1, FAR_M = 1, WAIT_MS = 700, SLOP = 4;
  const byId = (id) => document.getElementById(id);
  const metres = (m) => String(Math.round(m * 10) / 10);
  let drag = null, timer = 0, nudged = null, waiting = 0, told = Promise.resolve();
  const underway = new WeakMap();

  const map = () => byId("site-map");
  const pick = (kind, key) => map().querySelector(`.thing[data-kind="${kind}"][data-key="${key}"]`);

  // Where a thing is, or will be once what was sent is answered.
  const stands = (thing) => underway.get(thing) || [Number(thing.dataset.x), Number(thing.dataset.y)];

  // Where a pointer is, in metres of the garden.
  function ground(event) {
    const svg = map(), p = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    const scale = Number(svg.dataset.scale);
    return [p.x / scale + Number(svg.dataset.left), Number(svg.dataset.top) - p.y / scale];
  }

  // A thumb is broad: a name takes its own thing, else the nearest symbol is meant.
  function meant(event) {
    const named = event.target.closest("text") && event.target.closest(".thing");
    if (named) return named;
    let found = null, least = 24;
    for (const each of map().querySelectorAll(".thing")) {
      if (getComputedStyle(each).display === "none") continue;
      const box = each.querySelector(".grip").getBoundingClientRect();
      const off = Math.hypot(event.clientX - box.x - box.width / 2, event.clientY - box.y - box.height / 2);
      if (off < least - 0.5 || (off < least + 0.5 && found !== document.activeElement)) { found = each; least = Math.min(least, off); }
    }
    return found;
  }

  function show(thing, x, y) {
    const svg = map(), scale = Number(svg.dataset.scale);
    const mark = thing.querySelector("[transform]");
    thing.dataset.stood ??= mark.getAttribute("transform");
    thing.classList.add("moving");
    mark.setAttribute("transform", `translate(${(x - Number(svg.dataset.left)) * scale} ${(Number(svg.dataset.top) - y) * scale})`);
    thing.setAttribute("aria-label", thing.getAttribute("aria-label").replace(/, at .*/, `, at ${metres(x)}, ${metres(y)} m`));
  }

  function back(thing) {
    show(thing, Number(thing.dataset.x), Number(thing.dataset.y));
    thing.querySelector("[transform]").setAttribute("transform", thing.dataset.stood);
    settled(thing);
  }

  function settled(thing) {
    thing.classList.remove("moving");
    delete thing.dataset.stood;
  }

  function say(text) {
    const said = document.createElement("p");
    said.className = "soon";
    said.textContent = text;
    byId("map-said").replaceChildren(said);
  }

  // One after the other: the last one sent is the last one kept.
  function send(thing, x, y) {
    const to = [x, y];
    underway.set(thing, to);
    waiting += 1;
    const next = () => tell(thing, to);
    told = told.then(next, next);
  }

  async function tell(thing, to) {
    const [x, y] = to;
    const { kind, key } = thing.dataset, body = new URLSearchParams();
    body.set("form_token", byId("places").elements.form_token.value);
    body.set(`x.${kind}.${key}`, metres(x));
    body.set(`y.${kind}.${key}`, metres(y));
    let page = null, why = "no answer. It is back where it was";
    try {
      const answer = await fetch("/map", { method: "POST", body, headers: { "hx-request": "true" } });
      page = new DOMParser().parseFromString(await answer.text(), "text/html");
      if (!answer.ok || !page.getElementById("plan")) { why = page.body.textContent.trim(); page = null; }
    } catch { /* said below */ }
    waiting -= 1;
    if (underway.get(thing) === to) underway.delete(thing);
    if (page) {
      [thing.dataset.x, thing.dataset.y] = [metres(x), metres(y)];
      settled(thing);
      if (!drag && !nudged && !waiting) take(page, kind, key);  // else the next answer brings it all
    }
    if (!page) { back(thing); say(`Not moved: ${why}`); }
  }

  // The answer is the page anew: levels, names and fields all follow from the new place.
  function take(page, kind, key) {
    const seen = [...document.querySelectorAll(".see input")].filter((e) => !e.checked).map((e) => e.id);
    const at = document.querySelector(".plan-sheet .scroll").scrollLeft, had = document.activeElement && document.activeElement.closest(".thing");
    for (const id of ["plan", "places", "map-said"]) byId(id).replaceWith(document.adoptNode(page.getElementById(id)));
    for (const id of seen) byId(id).checked = false;
    document.querySelector(".plan-sheet .scroll").scrollLeft = at;
    const thing = pick(kind, key);
    if (had && thing) thing.focus({ preventScroll: true });
  }

  document.addEventListener("pointerdown", (event) => {
    if (drag || !event.isPrimary || event.button !== 0 || !event.target.closest("#site-map[data-editable]")) return;
    const thing = meant(event);
    if (!thing) return;
    settle();
    const [x, y] = ground(event), [wasX, wasY] = stands(thing);
    drag = { thing, id: event.pointerId, dx: wasX - x, dy: wasY - y, from: [event.clientX, event.clientY], at: null };
    thing.focus({ preventScroll: true });
    map().setPointerCapture(event.pointerId);
    event.preventDefault();
  });
  document.addEventListener("pointermove", (event) => {
    if (!drag || event.pointerId !== drag.id) return;
    if (!drag.at && Math.hypot(event.clientX - drag.from[0], event.clientY - drag.from[1]) < SLOP) return;
    const [x, y] = ground(event);
    drag.at = [Math.round((x + drag.dx) / SNAP_M) * SNAP_M, Math.round((y + drag.dy) / SNAP_M) * SNAP_M];
    show(drag.thing, ...drag.at);
  });
  document.addEventListener("pointerup", (event) => {
    if (!drag || event.pointerId !== drag.id) return;
    const { thing, at } = drag;
    drag = null;
    if (at) send(thing, ...at);
  });
  const drop = () => { if (drag) { back(drag.thing); drag = null; } };
  document.addEventListener("pointercancel", drop);
  // Where a finger on a thing would scroll the map, it moves the thing; beside things it scrolls.
  document.addEventListener("touchmove", (event) => { if (drag) event.preventDefault(); }, { passive: false });

  const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
  function settle() {
    clearTimeout(timer);
    if (nudged) send(nudged.thing, nudged.x, nudged.y);
    nudged = null;
  }
  document.addEventListener("keydown", (event) => {
    const thing = event.target.closest && event.target.closest("#site-map[data-editable] .thing");
    if (!thing) return;
    if (event.key === "Enter") settle();
    if (event.key === "Escape") { clearTimeout(timer); if (nudged) back(nudged.thing); nudged = null; drop(); }
    const way = WAYS[event.key];
    if (!way) return;
    event.preventDefault();
    if (nudged && nudged.thing !== thing) settle();
    if (!nudged) {
      const [x, y] = stands(thing);
      nudged = { thing, x, y };
    }
    const step = event.shiftKey ? FAR_M : SNAP_M;
    nudged.x = Math.round((nudged.x + way[0] * step) / SNAP_M) * SNAP_M;
    nudged.y = Math.round((nudged.y + way[1] * step) / SNAP_M) * SNAP_M;
    show(thing, nudged.x, nudged.y);
    clearTimeout(timer);
    timer = setTimeout(settle, WAIT_MS);
  });
  document.addEventListener("focusout", (event) => { if (nudged && event.target === nudged.thing) settle(); });
})();
