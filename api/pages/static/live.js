// Keeps an open page true: numbers at once, sentences and drawings as the server words them, ages by the second.
"use strict";
(() => {
  const FRAGMENT_EVERY_MS = 5000, SPACED_MS = 500;
  const SILENT_AFTER_MS = 30000, AGAIN_AFTER_MS = 60000;
  const PATIENCE_MS = 10000, MISSES = 3, TWICE_MS = 3000;
  const fahrenheit = document.body.dataset.unit === "F";
  const sign = fahrenheit ? "°F" : "°C";
  // A clock that is set back would make an old verdict look new; here time goes on all the same. The browser's own count
  // beside the clock is no help: it stands still while a phone sleeps.
  let clock = Date.now(), setBack = 0;
  const nowMs = () => {
    const told = Date.now();
    setBack += Math.max(0, clock - told);
    clock = told;
    return told + setBack;
  };
  const asked = new Map(), due = new Set(), signs = new Map();
  const loadedAt = nowMs();
  let source = null, heardAt = loadedAt, openedAt = loadedAt, cutOff = false, missed = 0;

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
      each.dataset.zero = String(nowMs() - 1000 * Number(each.dataset.since));
    }
  };
  // What was so when this page last heard is not known to be so now: no verdict is left standing on it.
  const doubt = () => {
    for (const since of document.querySelectorAll("[data-size] time[data-status]")) {
      const holder = since.closest("[data-size]"), words = since.closest(".words");
      if (holder.classList.contains("silent") || nowMs() - Number(since.dataset.zero) < SILENT_AFTER_MS) continue;
      holder.classList.add("silent", "doubted");
      words.querySelector(".say").textContent = "Not known: this page hears nothing now.";
      for (const each of words.querySelectorAll(".more, .do")) each.remove();
      const rest = document.createElement("p");
      rest.className = "do";
      rest.textContent = "What stands below was so when it was last heard. Load the page again; if it does not come, look at the network.";
      words.querySelector(".say").after(rest);
    }
  };
  const countAges = () => {
    doubt();
    for (const each of document.querySelectorAll("time[data-zero]")) {
      if (each.dataset.shown) continue;
      each.textContent = `${duration((nowMs() - Number(each.dataset.zero)) / 1000)} ago`;
    }
    // A page that listens to nothing has nothing to hear.
    const silent = source ? nowMs() - heardAt : 0;
    const link = document.getElementById("link");
    // In steps, for whoever has the page read aloud is told of every change.
    const steps = Math.floor(silent / SILENT_AFTER_MS) * SILENT_AFTER_MS;
    const quiet = steps ? `This page has heard nothing for ${duration(steps / 1000)}.` : "";
    const text = cutOff ? "This page is told nothing any more: load it again, or sign in." : quiet;
    if (link && link.textContent !== text) link.textContent = text;
  };

  // Fetches a page of ours, or null: refused, or the line went without a word.
  const page = async (address) => {
    const patience = new AbortController();
    const limit = setTimeout(() => patience.abort(), PATIENCE_MS);
    try {
      const reply = await fetch(address, { signal: patience.signal });
      return reply.ok ? new DOMParser().parseFromString(await reply.text(), "text/html") : null;
    } catch { return null; } finally { clearTimeout(limit); }
  };
  const holderOf = (name) => document.querySelector(`[data-enclosure="${CSS.escape(name)}"][data-size]`);
  const refresh = async (name) => {
    const holder = holderOf(name);
    const fresh = await page(`/enclosures/${encodeURIComponent(name)}/section?size=${holder.dataset.size}`);
    if (!fresh) return false;
    for (const part of fresh.querySelectorAll("[data-live]")) {
      const old = document.querySelector(`[data-live="${CSS.escape(part.dataset.live)}"]`);
      // What carries a version is replaced only when that changes, so that nothing half typed is lost.
      const same = old && part.dataset.version !== undefined && part.dataset.version === old.dataset.version;
      // What somebody has begun to fill in stays, and with it what they saw when they began.
      const begun = old && old.querySelector("form :focus, [data-begun]");
      if (!old || same || begun) continue;
      const unfolded = old.querySelectorAll("details");
      part.querySelectorAll("details").forEach((each, at) => { each.open = Boolean(unfolded[at]?.open); });
      old.replaceWith(part);
    }
    const now = fresh.querySelector("[data-trips]");
    holder.classList.toggle("trip", Boolean(now) && now.dataset.trips !== "0");
    holder.classList.toggle("silent", Boolean(now) && now.dataset.known === "0");
    holder.classList.remove("doubted");
    adopt(document);
    return true;
  };
  // What comes while one is due already is in that one; nothing is left out, only gathered. What is news goes first.
  const refreshSoon = (name, isNews) => {
    if (!holderOf(name)) return;
    due.add(name);
    if (isNews) asked.set(name, 0);
  };
  // One after another, who waited longest first: a site of forty would ask for more than is let through, and what did
  // not come is due again, for the server may never say it anew.
  const refreshNext = async () => {
    const last = (name) => asked.get(name) ?? loadedAt;
    const [name] = [...due].filter((each) => last(each) + FRAGMENT_EVERY_MS <= nowMs()).sort((a, b) => last(a) - last(b));
    if (name !== undefined) {
      due.delete(name);
      asked.set(name, nowMs());
      if (!await refresh(name).catch(() => false)) due.add(name);
    }
    setTimeout(refreshNext, SPACED_MS);
  };
  const isNews = (status) => {
    const sign = [status.armed, (status.trips || []).length, (status.alerts || []).length].join();
    const before = signs.get(status.enclosure);
    signs.set(status.enclosure, sign);
    return before !== undefined && before !== sign;
  };

  const showNumbers = (status) => {
    for (const reading of status.readings || []) {
      if (!reading.fresh || reading.value === null || reading.unit !== "Cel") continue;
      const key = CSS.escape(`${status.enclosure}/${reading.probe}`);
      for (const each of document.querySelectorAll(`[data-number="${key}"]`)) {
        const text = number(reading.value) + (each.hasAttribute("data-with-unit") ? `\u00a0${sign}` : "");
        if (each.textContent !== text) each.textContent = text;
      }
      for (const each of document.querySelectorAll(`[data-heard="${key}"]`)) {
        each.dataset.zero = String(nowMs() - 1000 * reading.age_s);
      }
    }
  };
  const take = (event) => {
    heardAt = nowMs();
    let said;
    try { said = JSON.parse(event.data); } catch { return; }
    for (const status of Array.isArray(said) ? said : [said.status || said]) {
      if (!status || !status.enclosure) continue;
      showNumbers(status);
      for (const each of document.querySelectorAll(`[data-status="${CSS.escape(status.enclosure)}"]`)) {
        each.dataset.zero = String(nowMs());
      }
      refreshSoon(status.enclosure, isNews(status));
    }
  };

  // The controller fell silent, or is heard again: the server has the words for either.
  const takeSilence = (event) => {
    heardAt = nowMs();
    let said;
    try { said = JSON.parse(event.data); } catch { return; }
    if (said.enclosure) refreshSoon(said.enclosure, true);
  };

  // The controller answers in the journal; the page looks for it without losing what is being typed.
  const lookForAnswer = async () => {
    const waiting = document.querySelector("[data-waiting]");
    if (!waiting) return;
    const fresh = await page(location.href), answer = fresh && fresh.querySelector(".answer");
    if (answer && answer.textContent !== waiting.textContent) {
      // Into the place that is there: what comes with a place of its own is not read aloud (WCAG technique ARIA22).
      waiting.className = answer.className;
      waiting.replaceChildren(...answer.childNodes);
      if (answer.dataset.waiting === undefined) delete waiting.dataset.waiting;
    }
    missed = fresh ? 0 : missed + 1;
    if (missed === MISSES) {
      waiting.classList.add("no");
      waiting.querySelector(".say").textContent = "No answer: this page hears nothing now.";
      waiting.querySelector(".more").textContent = "Whether it was done nobody here knows. If heat must end now, switch the heater off at its socket.";
    }
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

  // A cold thumb taps twice and means once: the second would be refused for what the first has changed. No stop waits.
  const sent = new WeakMap();
  document.addEventListener("submit", (event) => {
    const by = event.submitter || event.target;
    if (event.target.method !== "post" || event.target.classList.contains("stop")) return;
    if (nowMs() - (sent.get(by) ?? -Infinity) < TWICE_MS) event.preventDefault();
    else sent.set(by, nowMs());
  });

  const listen = () => {
    if (source) source.close();
    openedAt = nowMs();
    const opened = source = new EventSource("/api/live");
    opened.onmessage = take;
    for (const name of ["status", "enclosure"]) opened.addEventListener(name, take);
    opened.addEventListener("silence", takeSilence);
    opened.onopen = () => { cutOff = false; };
    opened.onerror = () => { cutOff = source.readyState === EventSource.CLOSED; };
  };
  // The browser tries again by itself while the line is bad. It gives up when it is told no, as by what stands before a
  // server that restarts, and does not notice a line that went without a word; so quiet lines are opened anew.
  const listenAgain = () => {
    if (nowMs() - Math.max(heardAt, openedAt) >= AGAIN_AFTER_MS) listen();
  };

  adopt(document);
  setInterval(countAges, 1000);
  if (document.querySelector("[data-enclosure]") && "EventSource" in window) {
    listen();
    setInterval(listenAgain, 1000);
    refreshNext();
  }
})();
