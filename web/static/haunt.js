// Islands: news gone stale, digits that count down, what was not sent, lists that keep still under a thumb, sounds, a release held for 1.5 s.
(() => {
  "use strict";
  const STALE_MS = 5000, LOOK_MS = 250, AGAIN_MS = 6000, HOLD_MS = 1500, SAID_MS = 10000, SETTLE_MS = 1000, LATE_MS = 400;
  const byId = (id) => document.getElementById(id);
  const stale = byId("stale"), notice = byId("notice"), stream = byId("stream");
  let seen = Date.now(), asked = seen, seq = -1, offset = Number(document.body.dataset.at) - seen;

  // A named message of the stream is an event on the element that listens, and only there.
  stream.addEventListener("tick", (event) => {
    const tick = JSON.parse(event.detail.data);
    asked = Date.now();
    offset = tick.at_ms - asked;
    if (tick.seq !== seq) seen = asked;  // a stream that lives may bring an old night
    seq = tick.seq;
    hear(tick);
    const outline = document.body.dataset.outline;  // empty where somebody types: nothing may be lost
    if (outline && tick.outline !== outline) location.reload();
  });

  // A frozen server or a lost network closes nothing by itself: let go and ask again.
  function listenAgain(now) {
    if (now - asked < AGAIN_MS) return;
    asked = now;
    const sse = stream._htmx && stream._htmx.sse;
    if (!sse) htmx.trigger(stream, "again");
    else if (sse.reader) sse.reader.cancel();
  }

  // In the show's zone and by the clock of the page, wherever this phone thinks it is.
  function clock(at) {
    const { zone, clock } = document.body.dataset, twelve = clock === "12";
    const when = { timeZone: zone, hour: twelve ? "numeric" : "2-digit", minute: "2-digit", second: "2-digit", hourCycle: twelve ? "h12" : "h23" };
    return new Intl.DateTimeFormat("en-US", when).format(at).replace(/\s/, " ").toLowerCase();
  }

  // A second server may have taken over by now, under an address of its own.
  function elsewhere() {
    const { other } = document.body.dataset;
    return other ? [" Or look at ", Object.assign(document.createElement("a"), { href: other, textContent: other })] : [];
  }

  // Beats come every 2 s: two lost and one late is old news, said a second before it must be.
  // The alert is read out when it appears; the seconds that follow are not.
  function showStale() {
    const now = Date.now(), old = now - seen, isStale = old > STALE_MS;
    if (isStale) {
      if (stale.hidden) stale.replaceChildren("No news", Object.assign(document.createElement("span"), { ariaHidden: "true" }), ` – last seen ${clock(seen + offset)}. Stop show still tries.`, ...elsewhere());
      stale.querySelector("span").textContent = ` for ${Math.round(old / 1000)} s`;
      listenAgain(now);
    }
    stale.hidden = !isStale;
    document.documentElement.classList.toggle("is-stale", isStale);
  }

  function left(ms) {
    const s = Math.max(0, Math.ceil((ms - Date.now() - offset) / 1000));
    return s < 120 ? s + " s" : s < 7200 ? Math.round(s / 60) + " min" : Math.round(s / 3600) + " h";
  }

  function countDown() {
    for (const each of document.querySelectorAll("[data-until]")) {
      const text = left(Number(each.dataset.until));
      if (each.textContent !== text) each.textContent = text;
    }
  }

  countDown();
  setInterval(() => { if (!document.hidden) showStale(); countDown(); }, LOOK_MS);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) seen = Math.max(seen, Date.now() - STALE_MS / 2); });
  document.addEventListener("htmx:after:swap", countDown);

  // What was pressed and did not get through says so; what did get through is said for a while.
  const pressed = (event) => { const e = event.detail.ctx && event.detail.ctx.sourceElement; return e && e.matches("form") ? e : null; };
  function say(text) {
    const box = Object.assign(document.createElement("div"), { className: "notice now", role: "alert" });
    box.append(Object.assign(document.createElement("p"), { textContent: text }));
    notice.replaceChildren(box);
  }
  function failed(event) {
    const form = pressed(event);
    if (!form || (event.detail.ctx.response && event.detail.ctx.response.status < 500)) return;
    const isStop = form.getAttribute("action") === "/stop";
    say(isStop ? "Stop was NOT sent. Press again; if it stays so, switch props off by hand." : "That was NOT sent: no answer. Press again.");
  }
  document.addEventListener("htmx:error", failed);
  document.addEventListener("htmx:response:error", failed);
  let saying = 0;
  document.addEventListener("htmx:after:swap", (event) => {
    if (!pressed(event)) return;
    clearTimeout(saying);
    saying = setTimeout(() => { if (!notice.querySelector(".now, :focus")) notice.replaceChildren(); }, SAID_MS);
  });

  // What stands in rows waits with its news until a second after the last touch: a thumb on its way hits what it was aimed at.
  let touched = -SETTLE_MS, turned = 0, waiting = 0;
  const late = new Map();
  const keepsStill = (task) => { const e = typeof task.target === "string" ? document.querySelector(task.target) : task.target; return e && e.id && e.matches("[data-settle]") ? e : null; };
  function settle() {
    const left = touched + SETTLE_MS - Date.now();
    clearTimeout(waiting);
    if (!late.size) return;
    if (left > 0) { waiting = setTimeout(settle, left); return; }
    const text = [...late].map(([id, html]) => `<hx-partial hx-target="#${id}" hx-swap="outerMorph">${html}</hx-partial>`).join("");
    late.clear();
    htmx.swap({ text, sourceElement: stream, target: stream, swap: "none" });
  }
  for (const name of ["pointerdown", "pointermove", "pointerup"]) addEventListener(name, (event) => { if (event.buttons || name === "pointerup") touched = Date.now(); }, { capture: true, passive: true });
  document.addEventListener("htmx:before:swap", (event) => {
    const { tasks } = event.detail;
    for (const task of [...tasks]) {
      const part = keepsStill(task);
      if (!part) continue;
      if (Date.now() - touched < SETTLE_MS) {
        const box = document.createElement("div");
        box.append(task.fragment.cloneNode(true));
        late.set(part.id, box.innerHTML);
        tasks.splice(tasks.indexOf(task), 1);
      } else {
        late.delete(part.id);
        if (rows(task.fragment) !== rows(part)) turned = Date.now();
      }
    }
    settle();
  });
  // A button that has just taken another's place is not what was aimed at.
  const rows = (of) => [...of.querySelectorAll("form[action]")].map((e) => e.getAttribute("action")).join();
  addEventListener("click", (event) => {
    if (Date.now() - turned > LATE_MS || !event.isTrusted || !event.target.closest("[data-settle] :is(button, a)")) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    say("The list had just changed. Press again.");
  }, true);
  // Room for rows changes when nobody looks, or has just come back to look.
  let back = 0;
  function fit() {
    const needs = byId("needs");
    if (needs) needs.parentElement.className = `room rows-${needs.dataset.rows}`;
  }
  document.addEventListener("visibilitychange", () => { if (document.hidden) fit(); else back = Date.now(); });
  document.addEventListener("htmx:after:swap", () => { if (Date.now() - back < 1500) fit(); });

  // Sound: off until somebody taps it on. A browser lets it be heard after a touch of its page only.
  let audio = null, hits = 0;
  const kept = (key) => { try { return localStorage.getItem(`haunt-${key}`); } catch { return null; } };
  const keep = (key, value) => { try { localStorage.setItem(`haunt-${key}`, value); } catch { /* a private window keeps nothing */ } };
  function wake() {
    if (kept("sound") !== "on") return;
    audio = audio || new AudioContext();
    audio.resume();
  }
  function beep(times, hz) {
    if (kept("sound") !== "on" || !audio) return;
    for (let n = 0; n < times; n += 1) {
      const tone = audio.createOscillator(), level = audio.createGain(), at = audio.currentTime + n * 0.25;
      tone.frequency.value = hz;
      level.gain.setValueAtTime(0.2, at);
      level.gain.exponentialRampToValueAtTime(0.001, at + 0.2);
      tone.connect(level).connect(audio.destination);
      tone.start(at);
      tone.stop(at + 0.2);
    }
  }
  function showSound() {
    for (const each of document.querySelectorAll("[data-sound]")) {
      each.hidden = each.parentElement.hidden = false;
      each.setAttribute("aria-pressed", String(kept("sound") === "on"));
    }
  }
  // How many alerts are open can be read off a tab from afar; a new one is heard, a pressing one thrice.
  function hear(tick) {
    if (tick.alerts === undefined) return;
    document.title = (tick.alerts ? `(${tick.alerts}) ` : "") + document.title.replace(/^\(\d+\) /, "");
    const heard = kept("heard");
    if (heard !== null && tick.newest > Number(heard)) beep(tick.pressing === tick.newest ? 3 : 1, 880);
    if (heard !== String(tick.newest)) keep("heard", String(tick.newest));
  }
  function hearWalk() {
    const walk = byId("walk"), now = walk ? Number(walk.dataset.hits) : 0;
    if (now > hits) beep(1, 660);
    hits = now;
  }
  hits = Number((byId("walk") || { dataset: { hits: 0 } }).dataset.hits);
  showSound();
  document.addEventListener("htmx:after:swap", hearWalk);
  document.addEventListener("pointerup", wake);
  document.addEventListener("keyup", wake);
  document.addEventListener("click", (event) => {
    if (!event.target.closest("[data-sound]")) return;
    keep("sound", kept("sound") === "on" ? "off" : "on");
    showSound();
    wake();
    beep(1, 660);
  });

  // Release: tapped it opens its page, held for 1.5 s it releases at once. Sliding off cancels.
  let timer = 0, held = null, done = false;
  const cancel = () => { clearTimeout(timer); if (held) held.classList.remove("holding"); held = null; };
  document.addEventListener("pointerdown", (event) => {
    cancel();
    done = false;
    held = event.isPrimary && event.button === 0 ? event.target.closest("[data-hold]") : null;
    if (!held) return;
    held.classList.add("holding");
    timer = setTimeout(() => { const form = held.form; done = true; cancel(); htmx.trigger(form, "held"); }, HOLD_MS);
  });
  document.addEventListener("pointermove", (event) => {
    if (held && document.elementFromPoint(event.clientX, event.clientY)?.closest("[data-hold]") !== held) cancel();
  });
  for (const name of ["pointerup", "pointercancel", "blur"]) addEventListener(name, cancel);
  // The thumb that held Release must not press what has taken its place.
  addEventListener("click", (event) => {
    if (!done) return;
    done = false;
    event.preventDefault();
    event.stopImmediatePropagation();
  }, true);
  for (const name of ["contextmenu", "dragstart"]) document.addEventListener(name, (event) => { if (event.target.closest("[data-hold]")) event.preventDefault(); });
})();
