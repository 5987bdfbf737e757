// Keeps an open page true: numbers at once, sentences and drawings as the server words them, ages by the second.
"use strict";
(() => {
  const FRAGMENT_EVERY_MS = 5000;
  const SILENT_AFTER_MS = 30000;
  const fahrenheit = document.body.dataset.unit === "F";
  const sign = fahrenheit ? "°F" : "°C";
  const asked = new Map(), due = new Set();
  let heardAt = Date.now(), cutOff = false;

  const duration = (seconds) => {
    const whole = Math.max(0, Math.round(seconds));
    if (whole < 90) return `${whole} s`;
    const minutes = Math.round(whole / 60);
    if (minutes < 60) return `${minutes} min`;
    const hours = Math.floor(minutes / 60), rest = minutes % 60;
    if (hours < 3) return rest ? `${hours} h ${rest} min` : `${hours} h`;
    if (hours < 48) return `${Math.round(minutes / 60)} h`;
    return `${Math.round(hours / 24)} days`;
  };
  const number = (celsius) => {
    const value = Math.round((fahrenheit ? celsius * 1.8 + 32 : celsius) * 10) / 10;
    return (value < 0 ? "−" : "") + Math.abs(value).toFixed(1);
  };

  const adopt = (root) => {
    for (const each of root.querySelectorAll("time[data-since]:not([data-zero])")) {
      each.dataset.zero = String(Date.now() - 1000 * Number(each.dataset.since));
    }
  };
  const countAges = () => {
    for (const each of document.querySelectorAll("time[data-zero]")) {
      if (each.dataset.shown) continue;
      each.textContent = `${duration((Date.now() - Number(each.dataset.zero)) / 1000)} ago`;
    }
    const silent = Date.now() - heardAt;
    const link = document.getElementById("link");
    // In steps, for whoever has the page read aloud is told of every change.
    const steps = Math.floor(silent / SILENT_AFTER_MS) * SILENT_AFTER_MS;
    const quiet = steps ? `This page has heard nothing for ${duration(steps / 1000)}.` : "";
    const text = cutOff ? "This page is told nothing any more: load it again, or sign in." : quiet;
    if (link && link.textContent !== text) link.textContent = text;
  };

  const refresh = async (name) => {
    const holder = document.querySelector(`[data-enclosure="${CSS.escape(name)}"][data-size]`);
    if (!holder) return;
    const reply = await fetch(`/enclosures/${encodeURIComponent(name)}/section?size=${holder.dataset.size}`);
    if (!reply.ok) return;
    const fresh = new DOMParser().parseFromString(await reply.text(), "text/html");
    for (const part of fresh.querySelectorAll("[data-live]")) {
      const old = document.querySelector(`[data-live="${CSS.escape(part.dataset.live)}"]`);
      // What carries a version is replaced only when that changes, so that nothing half typed is lost.
      const same = old && part.dataset.version !== undefined && part.dataset.version === old.dataset.version;
      // What somebody has begun to fill in stays, and with it what they saw when they began.
      const begun = old && (old.contains(document.activeElement) || old.querySelector("[data-begun]"));
      if (old && !same && !begun) old.replaceWith(part);
    }
    const now = fresh.querySelector("[data-trips]");
    holder.classList.toggle("trip", Boolean(now) && now.dataset.trips !== "0");
    holder.classList.toggle("silent", Boolean(now) && now.dataset.known === "0");
    adopt(document);
  };
  const refreshSoon = (name) => {
    // What comes while one is due already is in that one; nothing is left out, only gathered.
    if (due.has(name)) return;
    due.add(name);
    const wait = Math.max(0, (asked.get(name) || 0) + FRAGMENT_EVERY_MS - Date.now());
    setTimeout(() => {
      due.delete(name);
      asked.set(name, Date.now());
      refresh(name).catch(() => asked.delete(name));
    }, wait);
  };

  const showNumbers = (status) => {
    for (const reading of status.readings || []) {
      if (!reading.fresh || reading.value === null || reading.unit !== "Cel") continue;
      const key = CSS.escape(`${status.enclosure}/${reading.probe}`);
      for (const each of document.querySelectorAll(`[data-number="${key}"]`)) {
        const text = number(reading.value) + (each.hasAttribute("data-with-unit") ? ` ${sign}` : "");
        if (each.textContent !== text) each.textContent = text;
      }
      for (const each of document.querySelectorAll(`[data-heard="${key}"]`)) {
        each.dataset.zero = String(Date.now() - 1000 * reading.age_s);
      }
    }
  };
  const take = (event) => {
    heardAt = Date.now();
    let said;
    try { said = JSON.parse(event.data); } catch { return; }
    for (const status of Array.isArray(said) ? said : [said.status || said]) {
      if (!status || !status.enclosure) continue;
      showNumbers(status);
      for (const each of document.querySelectorAll(`[data-status="${CSS.escape(status.enclosure)}"]`)) {
        each.dataset.zero = String(Date.now());
      }
      refreshSoon(status.enclosure);
    }
  };

  // The controller fell silent, or is heard again: the server has the words for either.
  const takeSilence = (event) => {
    heardAt = Date.now();
    let said;
    try { said = JSON.parse(event.data); } catch { return; }
    if (said.enclosure) refreshSoon(said.enclosure);
  };

  // The controller answers in the journal; the page looks for it without losing what is being typed.
  const lookForAnswer = async () => {
    const waiting = document.querySelector("[data-waiting]");
    if (!waiting) return;
    const reply = await fetch(location.href).catch(() => null);
    const answer = reply && reply.ok && new DOMParser().parseFromString(await reply.text(), "text/html").querySelector(".answer");
    if (answer && answer.textContent !== waiting.textContent) waiting.replaceWith(answer);
    setTimeout(lookForAnswer, 2000);
  };
  setTimeout(lookForAnswer, 1000);

  // A touch on a time shows it exactly, a second one as people say it.
  document.addEventListener("click", (event) => {
    const time = event.target.closest && event.target.closest("time[data-exact]");
    if (!time) return;
    if (time.dataset.shown) {
      time.textContent = time.dataset.shown;
      delete time.dataset.shown;
    } else {
      time.dataset.shown = time.textContent;
      time.textContent = time.dataset.exact;
    }
  });

  document.addEventListener("input", (event) => {
    if (event.target.form) event.target.form.dataset.begun = "";
  });

  adopt(document);
  setInterval(countAges, 1000);
  if (document.querySelector("[data-enclosure]") && "EventSource" in window) {
    const source = new EventSource("/api/live");
    source.onmessage = take;
    for (const name of ["status", "enclosure"]) source.addEventListener(name, take);
    source.addEventListener("silence", takeSilence);
    // The browser tries again by itself while the line is bad; it gives up when it is told no.
    source.onerror = () => { cutOff = source.readyState === EventSource.CLOSED; };
  }
})();
