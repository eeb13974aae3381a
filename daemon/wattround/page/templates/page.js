// The one script of the page: figures that change as one looks. Without it every page still says what was so.
"use strict";
(() => {
  const body = document.body;
  const root = body.dataset.root;
  if (root === undefined) return;
  const pulse = document.getElementById("pulse");
  const QUIET_MS = 6000; // no word for so long: say so
  const SHOWN_MS = 4000; // how long an arrow stands beside watts that have moved
  const LEAST_W = 5;
  let mark = body.dataset.mark;
  let heard = Date.now();
  let fetching = false;

  const say = (text) => { if (pulse && pulse.textContent !== text) pulse.textContent = text; };
  const number = (text) => Number(text.replace("\u2212", "-"));

  // An arrow for some seconds where watts have moved by a fifth or more.
  const move = (cell, before, now) => {
    const by = number(now) - number(before);
    if (!(Math.abs(by) >= Math.max(LEAST_W, Math.abs(number(before)) / 5))) return;
    cell.dataset.move = by < 0 ? "down" : "up";
    clearTimeout(cell.timer);
    cell.timer = setTimeout(() => { delete cell.dataset.move; }, SHOWN_MS);
  };

  const write = (rows) => {
    for (const place of document.querySelectorAll("[data-m]")) {
      const cells = rows[place.dataset.m];
      if (!cells) continue;
      for (const cell of place.querySelectorAll("[data-c]")) {
        const text = cells[cell.dataset.c];
        if (text === undefined || cell.textContent === text) continue;
        if (cell.dataset.c === "0") move(cell, cell.textContent, text);
        cell.textContent = text;
      }
    }
  };

  // Watts of a load from second to second, for as long as its page is open: a step line of the last ten minutes.
  const SECONDS = 600;
  const HIGH = 60;
  const seen = [];
  const trace = () => {
    const place = document.querySelector("[data-trace]");
    if (!place) return;
    const cell = document.querySelector(`[data-m="${CSS.escape(place.dataset.trace)}"] [data-c="0"]`);
    const watts = cell ? number(cell.textContent) : NaN;
    const now = Date.now() / 1000;
    seen.push([now, watts]);
    while (seen[0][0] < now - SECONDS) seen.shift();
    const known = seen.filter(([, each]) => !Number.isNaN(each)).map(([, each]) => Math.abs(each));
    const most = Math.max(1, ...known);
    let path = "";
    seen.forEach(([at, each], index) => {
      if (Number.isNaN(each)) return;
      const x = (SECONDS - (now - at)).toFixed(1);
      const y = (HIGH - 2 - (HIGH - 4) * Math.abs(each) / most).toFixed(1);
      const isNew = index === 0 || Number.isNaN(seen[index - 1][1]);
      path += isNew ? `M${x} ${y}` : `H${x}V${y}`;
    });
    const svg = place.querySelector("svg");
    const line = svg.querySelector("path") || svg.appendChild(document.createElementNS(svg.namespaceURI, "path"));
    line.setAttribute("d", path);
    place.querySelector("figcaption span").textContent = String(most);
    place.hidden = known.length < 2;
  };

  const page = async (address) => {
    const answer = await fetch(address, { credentials: "same-origin" });
    if (!answer.ok) throw new Error(answer.status);
    return new DOMParser().parseFromString(await answer.text(), "text/html");
  };

  // Where more than figures has changed, the page is asked for again, and its notes and strips are put in place.
  const renew = async () => {
    if (fetching || !document.querySelector("table.now")) return;
    fetching = true;
    try {
      const fresh = await page(location.href);
      for (const row of document.querySelectorAll("table.now tr[data-m]")) {
        const other = fresh.querySelector(`tr[data-m="${CSS.escape(row.dataset.m)}"]`);
        if (!other) continue;
        row.className = other.className;
        row.querySelector(".strip").replaceWith(other.querySelector(".strip"));
        const name = row.querySelector("th");
        if (!name.contains(document.activeElement)) name.replaceWith(other.querySelector("th"));
      }
      document.querySelector("table.now thead .strip").replaceWith(fresh.querySelector("table.now thead .strip"));
      const notes = document.getElementById("notes");
      const others = fresh.getElementById("notes");
      if (notes.textContent !== others.textContent && !notes.contains(document.activeElement)) {
        const first = others.querySelector("p");
        notes.replaceWith(others);
        say(first ? first.textContent : "");
      }
    } catch { /* the next word tries again */ } finally { fetching = false; }
  };

  const later = async (place) => {
    try {
      const fresh = await page(place.dataset.later);
      const found = fresh.getElementById(place.id);
      place.replaceWith(found);
      if (found.dataset.later) later(found);
      else if (place.dataset.said) say(place.dataset.said);
    } catch { /* its link still leads there */ }
  };
  document.querySelectorAll("[data-later]").forEach(later);

  if (document.querySelector("[data-m]")) {
    const source = new EventSource(`${root}/live`);
    source.onmessage = (event) => {
      const news = JSON.parse(event.data);
      heard = Date.now();
      if (pulse && pulse.dataset.lost) { delete pulse.dataset.lost; say("Live again."); }
      for (const clock of document.querySelectorAll("[data-clock]")) clock.textContent = news.at;
      write(news.rows);
      trace();
      if (news.mark !== mark) { mark = news.mark; renew(); }
    };
    setInterval(() => {
      if (pulse && !pulse.dataset.lost && Date.now() - heard > QUIET_MS) {
        pulse.dataset.lost = "yes";
        say("Nothing new is coming from the daemon: these are the last figures heard.");
      }
    }, 1000);
    addEventListener("pagehide", () => source.close());
  }
})();
