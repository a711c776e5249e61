// Islands: news gone stale, digits that count down, what was not sent, sounds, a release held for 1.5 s.
"use strict";
(() => {
  const STALE_MS = 6000, AGAIN_MS = 6000, HOLD_MS = 1500, SAID_MS = 10000;
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

  // The alert is read out when it appears; the seconds that follow are not.
  function showStale() {
    const now = Date.now(), old = now - seen, isStale = old > STALE_MS - 500;
    if (isStale) {
      if (stale.hidden) stale.replaceChildren("No news", Object.assign(document.createElement("span"), { ariaHidden: "true" }), ` – last seen ${new Date(seen).toLocaleTimeString()}. Stop show still tries.`);
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
  setInterval(() => { if (!document.hidden) showStale(); countDown(); }, 500);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) seen = Math.max(seen, Date.now() - 3000); });
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
      each.hidden = false;
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
