// Keeps the page live: takes the sections that changed, counts ages, and says when it hears nothing.
"use strict";
(() => {
  const live = document.getElementById("live");
  const staleAfter = Number(document.body.dataset.staleAfter);
  let panels = JSON.parse(live.dataset.panels || "{}");
  let asOf = Number(live.dataset.asOf);
  let ahead = 0;        // of the collector's clock before ours, in s
  let heard = null;     // when the last message came, by a clock that is never set
  let stream = null;

  const now = () => Date.now() / 1000 + ahead;
  const steady = () => performance.now() / 1000;

  function length(seconds) {
    const s = Math.max(0, Math.round(seconds));
    if (s < 60) return s + " s";
    const m = Math.round(s / 60);
    if (m < 60) return m + " min";
    if (m < 48 * 60) return Math.floor(m / 60) + " h " + (m % 60) + " min";
    return Math.round(s / 86400) + " d";
  }

  function clock(utc) {
    const at = new Date(utc * 1000), two = (n) => String(n).padStart(2, "0");
    return at.getFullYear() + "-" + two(at.getMonth() + 1) + "-" + two(at.getDate()) + " " +
      two(at.getHours()) + ":" + two(at.getMinutes()) + ":" + two(at.getSeconds());
  }

  function say(text, stale) {
    if (live.textContent !== text) live.textContent = text;
    live.classList.toggle("stale", stale);
    document.body.classList.toggle("stale", stale);
  }

  function ages() {
    for (const time of document.querySelectorAll("time[data-from]")) {
      const age = " (" + length(now() - Number(time.dataset.from)) + ")";
      if (time.dataset.age !== age) {
        time.dataset.age = age;
        if (!time.nextSibling || time.nextSibling.className !== "counted") {
          const counted = document.createElement("span");
          counted.className = "counted";
          time.after(counted);
        }
        time.nextSibling.textContent = age;
      }
    }
    let late = [];
    for (const age of document.querySelectorAll(".age[data-panel]")) {
      const last = panels[age.dataset.panel];
      const seconds = last ? now() - last / 1e6 : null;
      age.textContent = seconds === null ? "unknown" : length(seconds) + " ago";
      const state = age.closest("li").className;
      if (seconds !== null && state === "up" && seconds > 5 + Number(age.dataset.allowed)) {
        late.push(age.closest("li").querySelector("strong").textContent);
      }
    }
    return late;
  }

  function tick() {
    const late = ages();
    const silent = heard === null ? null : steady() - heard;
    if (silent === null) {
      say("Connecting; as of " + clock(asOf) + ".", false);
    } else if (silent > staleAfter) {
      say("\u25B2 NOT LIVE: nothing heard for " + length(silent) +
        ". What you see is as it was at " + clock(asOf) + ".", true);
    } else if (late.length) {
      say("Live, but old data of " + late.join(", ") + ": it has not answered for longer than it should.", false);
    } else {
      say("Live, as of " + clock(asOf) + ".", false);
    }
  }

  function take(event) {
    heard = steady();
    const told = JSON.parse(event.data);
    if (event.type === "beat") {
      ahead = told.utc - Date.now() / 1000;
      asOf = told.as_of;
      panels = told.panels;
    } else {
      for (const [id, html] of Object.entries(told)) replace(id, html);
    }
    tick();
  }

  function replace(id, html) {
    const section = document.getElementById(id);
    if (!section) return location.reload();   // the plant file has changed
    const focused = section.contains(document.activeElement) ? document.activeElement : null;
    const again = focused && (focused.getAttribute("href") || focused.textContent);
    const opened = [...section.querySelectorAll("details")].map((each) => each.open);
    section.innerHTML = html;
    section.querySelectorAll("details").forEach((each, k) => { each.open = Boolean(opened[k]); });
    if (again) {
      const found = [...section.querySelectorAll("a, summary")]
        .find((each) => each.getAttribute("href") === again || each.textContent === again);
      if (found) found.focus({ preventScroll: true });
    }
  }

  function connect() {
    if (stream) stream.close();
    stream = new EventSource("/live");
    stream.addEventListener("sections", take);
    stream.addEventListener("beat", take);
    stream.onerror = () => {
      if (stream.readyState === EventSource.CLOSED) setTimeout(connect, 3000);
    };
  }

  window.addEventListener("pagehide", () => stream && stream.close());
  window.addEventListener("pageshow", (event) => { if (event.persisted) connect(); });
  connect();
  setInterval(tick, 1000);
  tick();
})();
