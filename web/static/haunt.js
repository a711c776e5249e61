// Three islands: news gone stale, digits that count down, a release held for 1.5 s.
"use strict";
(() => {
  const STALE_MS = 6000, HOLD_MS = 1500;
  let seen = Date.now(), offset = Number(document.body.dataset.at) - Date.now();
  const stale = document.getElementById("stale"), stream = document.getElementById("stream");

  const time = (ms) => new Date(ms).toLocaleTimeString();
  if (stream) stream.addEventListener("tick", (event) => {
    const news = JSON.parse(event.detail.data);
    seen = Date.now();
    offset = news.at_ms - seen;
  });

  function left(ms) {
    const s = Math.max(0, Math.ceil((ms - Date.now() - offset) / 1000));
    return s < 120 ? s + " s" : s < 7200 ? Math.round(s / 60) + " min" : Math.round(s / 3600) + " h";
  }

  setInterval(() => {
    const old = Date.now() - seen;
    const isStale = Boolean(stream) && old > STALE_MS && !document.hidden;
    stale.hidden = !isStale;
    document.documentElement.classList.toggle("is-stale", isStale);
    if (isStale) stale.textContent = `No news for ${Math.floor(old / 1000)} s – last seen ${time(seen)}`;
    for (const each of document.querySelectorAll("[data-until]")) each.textContent = left(Number(each.dataset.until));
  }, 500);
  document.addEventListener("visibilitychange", () => { if (!document.hidden && stream) seen = Math.max(seen, Date.now() - 3000); });

  let timer = null, held = null;
  const cancel = () => { clearTimeout(timer); if (held) held.classList.remove("holding"); timer = null; };
  document.addEventListener("pointerdown", (event) => {
    held = event.target.closest("[data-hold]");
    if (!held) return;
    held.classList.add("holding");
    timer = setTimeout(() => {
      const form = document.createElement("form");
      form.method = "post";
      form.action = held.dataset.hold;
      document.body.append(form);
      form.submit();
    }, HOLD_MS);
  });
  for (const name of ["pointerup", "pointercancel", "pointerleave"]) document.addEventListener(name, cancel);
  document.addEventListener("contextmenu", (event) => { if (event.target.closest("[data-hold]")) event.preventDefault(); });
})();
