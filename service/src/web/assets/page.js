// What the pages do beside showing themselves: ages that grow, and a list that follows the plant.
// Without it everything can be read and done; the list then stands still.
"use strict";

// Ages of readings, in the words the server uses.
function age(seconds) {
  if (seconds < 90) return Math.max(0, Math.round(seconds)) + " s";
  if (seconds < 5400) return Math.round(seconds / 60) + " min";
  if (seconds < 172800) return Math.round(seconds / 3600) + " h";
  return Math.round(seconds / 86400) + " d";
}

// Our clock may be wrong: ages are counted on from what the server said when it wrote the page.
const begun = performance.now();
function growAges() {
  const passed = (performance.now() - begun) / 1000;
  for (const cell of document.querySelectorAll("[data-age]")) {
    if (!cell.dataset.since) cell.dataset.since = String(passed);
    const words = age(Number(cell.dataset.age) + passed - Number(cell.dataset.since));
    if (cell.textContent !== words) cell.textContent = words;
  }
}

// The list of machines follows the plant. It says when it does not any more, and tries again by itself.
const SILENT_AFTER = 30000; // The server speaks at least every ten seconds.

function follow(rows) {
  const sign = document.getElementById("live");
  const counts = document.getElementById("counts");
  let source = null;
  let heard = Date.now();
  let live = null;

  function say(isLive, words) {
    if (live === isLive && isLive) return;
    live = isLive;
    sign.classList.toggle("lost", !isLive);
    sign.querySelector(".shape").textContent = isLive ? "●" : "○";
    sign.querySelector(".words").textContent = words;
  }

  function lost() {
    const at = new Date(heard).toLocaleTimeString("en-GB", { timeZone: document.body.dataset.zone });
    say(false, "Not live any more: nothing heard since " + at + ". Trying again.");
  }

  function take(change) {
    const known = new Map();
    for (const row of rows.children) known.set(row.dataset.machine, row);
    for (const [name, html] of Object.entries(change.rows)) {
      const holder = document.createElement("tbody");
      holder.innerHTML = html;
      const fresh = holder.firstElementChild;
      const old = known.get(name);
      // Whoever stands on a row with the keyboard stays on it.
      const stands = old && old.contains(document.activeElement);
      if (old) old.replaceWith(fresh);
      known.set(name, fresh);
      if (stands) fresh.querySelector("a").focus({ preventScroll: true });
    }
    change.order.forEach((name, place) => {
      const row = known.get(name);
      if (!row) return;
      const there = rows.children[place];
      if (there !== row) {
        const stands = row.contains(document.activeElement) ? document.activeElement : null;
        rows.insertBefore(row, there || null);
        if (stands) stands.focus({ preventScroll: true });
      }
    });
    while (rows.children.length > change.order.length) rows.lastElementChild.remove();
    for (const row of rows.children) {
      const cell = row.querySelector("[data-age]");
      const seconds = change.ages[row.dataset.machine];
      if (!cell || seconds === undefined) continue;
      cell.dataset.age = String(seconds);
      delete cell.dataset.since;
      cell.textContent = age(seconds);
    }
    if (counts.innerHTML !== change.counts) {
      // Whoever stands on one of the counts stays on it.
      const stands = counts.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
      counts.innerHTML = change.counts;
      if (stands) counts.querySelector('a[href="' + stands + '"]')?.focus({ preventScroll: true });
    }
  }

  function hear() {
    heard = Date.now();
    say(true, "live");
  }

  function open() {
    const query = new URLSearchParams(location.search);
    if (rows.dataset.known) query.set("known", rows.dataset.known);
    delete rows.dataset.known;
    source = new EventSource("/live?" + query);
    source.addEventListener("rows", (event) => { hear(); take(JSON.parse(event.data)); });
    source.addEventListener("beat", hear);
    source.addEventListener("error", () => {
      // A refusal ends the source for good; a lost connection it would open again, but under its first address.
      source.close();
      // Why, the source does not tell.
      fetch("/live", { method: "HEAD" }).then((answer) => {
        if (answer.status === 401) say(false, "Not live any more: sign in again.");
        else lost();
      }, lost);
      setTimeout(open, 3000);
    });
  }

  setInterval(() => {
    if (Date.now() - heard > SILENT_AFTER) {
      lost();
      source.close();
      heard = Date.now();
      open();
    }
  }, 5000);
  open();
}

const rows = document.getElementById("rows");
if (rows) follow(rows);
if (!rows || "grows" in rows.dataset) setInterval(growAges, 1000);
