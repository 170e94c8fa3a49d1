// The machine's page: trends that can be gone into, spectra with cursors. The server draws; this asks for the picture of the
// range that is wanted, at the width there is, and reads values under the cursor from the numbers that come with it.
"use strict";

const machine = document.querySelector(".machine");
const SVG = "http://www.w3.org/2000/svg";
const DAY = 86400;
// A picture narrower than this shows nothing more.
const LEAST_SECS = 60;

function number(value) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  const size = Math.abs(value);
  if (size !== 0 && (size < 1e-3 || size >= 1e7)) return value.toExponential(2);
  if (size >= 1000) return value.toFixed(0);
  return String(Number(value.toPrecision(3)));
}

function stamp(secs, zone) {
  const form = { dateStyle: "medium", timeStyle: "short", timeZone: zone };
  return new Intl.DateTimeFormat("en-GB", form).format(new Date(secs * 1000));
}

function clamp(value, low, high) {
  return Math.min(Math.max(value, low), high);
}

// One picture: its box, what was last drawn in it, and the gestures on it. What they mean is the owner's to say.
class Picture {
  constructor(box, owner) {
    this.box = box;
    this.room = box.querySelector(".picture");
    this.reading = box.querySelector(".reading");
    this.said = this.reading.textContent;
    this.owner = owner;
    this.data = null;
    this.asked = 0;
    this.fingers = new Map();
    this.listen();
  }

  // Draws what an address gives; an answer that was overtaken by a later question is dropped.
  async draw(address) {
    const asked = ++this.asked;
    this.box.classList.add("late");
    try {
      const answer = await fetch(address, { headers: { Accept: "application/json" } });
      if (!answer.ok) throw new Error(await answer.text());
      const data = await answer.json();
      if (asked !== this.asked) return;
      this.data = data;
      this.room.innerHTML = data.svg;
      if (data.notes && data.notes.length) this.say(this.said + " · " + data.notes.join(" · "));
      this.owner.drawn(this);
    } catch (fault) {
      if (asked === this.asked) this.say("This picture could not be had: " + fault.message);
    }
    if (asked === this.asked) this.box.classList.remove("late");
  }

  say(words) {
    this.reading.textContent = words;
  }

  get svg() {
    return this.room.querySelector("svg");
  }

  // Where on the picture's own scale a place on the screen is.
  at(event) {
    const area = this.room.getBoundingClientRect();
    const plot = this.data.plot;
    const x = clamp((event.clientX - area.left) * this.data.width / area.width, plot.left, plot.right);
    return plot.from + (x - plot.left) / (plot.right - plot.left) * (plot.to - plot.from);
  }

  x(value) {
    const plot = this.data.plot;
    return plot.left + (value - plot.from) / (plot.to - plot.from) * (plot.right - plot.left);
  }

  // Upright lines of a class at these values, in place of those of before.
  lines(kind, values) {
    if (!this.svg || !this.data) return;
    for (const old of this.svg.querySelectorAll("." + kind)) old.remove();
    const plot = this.data.plot;
    for (const value of values) {
      if (value < plot.from || value > plot.to) continue;
      const line = document.createElementNS(SVG, "line");
      line.setAttribute("class", kind);
      line.setAttribute("x1", this.x(value));
      line.setAttribute("x2", this.x(value));
      line.setAttribute("y1", plot.top);
      line.setAttribute("y2", plot.bottom);
      this.svg.append(line);
    }
  }

  taken(from, to) {
    for (const old of this.svg.querySelectorAll(".taken")) old.remove();
    if (from === null) return;
    const plot = this.data.plot;
    const area = document.createElementNS(SVG, "rect");
    area.setAttribute("class", "taken");
    area.setAttribute("x", Math.min(this.x(from), this.x(to)));
    area.setAttribute("width", Math.abs(this.x(to) - this.x(from)));
    area.setAttribute("y", plot.top);
    area.setAttribute("height", plot.bottom - plot.top);
    this.svg.append(area);
  }

  listen() {
    const room = this.room;
    let began = null;
    let pinch = null;
    const spread = () => {
      const [a, b] = [...this.fingers.values()];
      return { wide: Math.max(Math.abs(a.clientX - b.clientX), 1), middle: { clientX: (a.clientX + b.clientX) / 2 } };
    };
    room.addEventListener("pointerdown", (event) => {
      if (!this.data || (event.pointerType === "mouse" && event.button !== 0)) return;
      this.fingers.set(event.pointerId, event);
      if (this.fingers.size === 2) {
        const { wide, middle } = spread();
        pinch = { wide, at: this.at(middle), from: this.data.plot.from, to: this.data.plot.to };
        began = null;
        this.taken(null);
      } else if (this.fingers.size === 1) {
        began = { at: this.at(event), x: event.clientX };
      }
      room.setPointerCapture(event.pointerId);
    });
    room.addEventListener("pointermove", (event) => {
      if (!this.data) return;
      if (this.fingers.has(event.pointerId)) this.fingers.set(event.pointerId, event);
      this.owner.cursor(this, this.at(event));
      if (pinch && this.fingers.size === 2) pinch.now = spread().wide;
      else if (began && Math.abs(event.clientX - began.x) > 6) this.taken(began.at, this.at(event));
    });
    const done = (event, valid) => {
      if (!this.fingers.delete(event.pointerId) || !this.data) return;
      if (pinch) {
        const { wide, now, at, from, to } = pinch;
        pinch = null;
        if (valid && now && Math.abs(now / wide - 1) > 0.05) {
          this.owner.range(this, at - (at - from) * wide / now, at + (to - at) * wide / now);
        }
      } else if (began) {
        const { at, x } = began;
        began = null;
        this.taken(null);
        const end = this.at(event);
        if (!valid) return;
        if (Math.abs(event.clientX - x) > 6) this.owner.range(this, Math.min(at, end), Math.max(at, end));
        else this.owner.click(this, end);
      }
    };
    room.addEventListener("pointerup", (event) => done(event, true));
    room.addEventListener("pointercancel", (event) => done(event, false));
    room.addEventListener("pointerleave", (event) => {
      // A finger that is lifted leaves what it has read.
      if (event.pointerType === "mouse" && this.fingers.size === 0) this.owner.cursor(this, null);
    });
    room.addEventListener("dblclick", (event) => {
      event.preventDefault();
      this.owner.back(this);
    });
    // Over a picture the wheel goes nearer; beside it the page scrolls.
    room.addEventListener("wheel", (event) => {
      if (!this.data) return;
      event.preventDefault();
      this.zoom(this.at(event), event.deltaY > 0 ? 1.25 : 0.8);
    }, { passive: false });
    this.box.addEventListener("keydown", (event) => this.key(event));
  }

  zoom(at, factor) {
    const { from, to } = this.data.plot;
    this.owner.range(this, at - (at - from) * factor, at + (to - at) * factor);
  }

  key(event) {
    if (!this.data || event.ctrlKey || event.metaKey || event.altKey) return;
    const plot = this.data.plot;
    const at = this.stands ?? (plot.from + plot.to) / 2;
    const deeds = {
      ArrowLeft: () => this.owner.step(this, at, -1),
      ArrowRight: () => this.owner.step(this, at, 1),
      "+": () => this.zoom(at, 0.5),
      "-": () => this.zoom(at, 2),
      Enter: () => this.owner.click(this, at),
      Escape: () => this.owner.back(this),
    };
    const deed = deeds[event.key];
    if (!deed) return;
    event.preventDefault();
    deed();
  }
}

// All trends show the same range: what moved together is seen together.
class Trends {
  constructor(boxes) {
    this.path = machine.dataset.path;
    this.zone = machine.dataset.zone;
    this.now = Number(machine.dataset.now);
    this.ahead = Number(machine.dataset.ahead);
    this.before = [];
    this.pictures = boxes.map((box) => new Picture(box, this));
    const asked = new URLSearchParams(location.search);
    const [from, to] = [Number(asked.get("from")), Number(asked.get("to"))];
    this.show(...(from > 0 && to > from ? [from, to] : [this.now - DAY, this.now]));
    for (const button of document.querySelectorAll(".ranges [data-secs]")) {
      button.addEventListener("click", () => this.go(this.last() - Number(button.dataset.secs), this.end()));
    }
    document.getElementById("back").addEventListener("click", () => this.back());
    this.wantsAhead = document.getElementById("ahead");
    this.wantsAhead?.addEventListener("change", () => this.go(this.from, this.end()));
    let waits = null;
    new ResizeObserver(() => {
      clearTimeout(waits);
      waits = setTimeout(() => this.draw(), 200);
    }).observe(boxes[0]);
  }

  last() {
    return this.now;
  }

  end() {
    return this.wantsAhead?.checked ? Math.max(this.ahead, this.now) : this.now;
  }

  go(from, to) {
    this.before.push([this.from, this.to]);
    this.show(from, to);
    this.draw();
  }

  show(from, to) {
    this.from = from;
    this.to = to;
    for (const button of document.querySelectorAll(".ranges [data-secs]")) {
      const same = Math.abs(this.now - from - Number(button.dataset.secs)) < 1;
      button.setAttribute("aria-pressed", String(same));
    }
    document.getElementById("back").disabled = this.before.length === 0;
    // What is saved is what is shown.
    for (const link of document.querySelectorAll("a.of-range")) {
      const saved = new URL(link.href);
      saved.searchParams.set("from", Math.floor(from));
      saved.searchParams.set("to", Math.floor(to));
      link.href = saved;
    }
    const address = new URL(location);
    address.searchParams.set("from", Math.round(from));
    address.searchParams.set("to", Math.round(to));
    if (this.begun) history.replaceState(null, "", address);
    this.begun = true;
  }

  draw() {
    for (const picture of this.pictures) {
      const asked = new URLSearchParams({
        point: picture.box.dataset.point,
        from: this.from,
        to: this.to,
        width: Math.round(picture.room.clientWidth),
        height: Math.round(picture.room.clientHeight),
      });
      picture.draw(this.path + "/trend.json?" + asked);
    }
  }

  // The cursor stays where it stood, as long as that is still in the picture.
  drawn(picture) {
    const { from, to } = picture.data.plot;
    const stands = picture.stands ?? null;
    this.stand(picture, stands !== null && stands >= from && stands <= to ? stands : null);
  }

  range(picture, from, to) {
    const middle = (from + to) / 2;
    const half = Math.max(to - from, LEAST_SECS) / 2;
    this.go(middle - half, middle + half);
  }

  back() {
    const before = this.before.pop();
    if (!before) return;
    this.show(...before);
    this.draw();
  }

  // A finger has no place over the picture until it touches it.
  click(picture, at) {
    this.cursor(picture, at);
  }

  // The row a time falls into, else the nearest.
  row(rows, at) {
    let best = null;
    for (const row of rows) {
      const far = at < row[0] ? row[0] - at : at > row[1] ? at - row[1] : 0;
      if (best === null || far < best.far) best = { row, far };
    }
    return best && best.row;
  }

  cursor(from, at) {
    for (const picture of this.pictures) {
      if (picture.data) this.stand(picture, at);
    }
  }

  stand(picture, at) {
    picture.lines("cursor", at === null ? [] : [at]);
    picture.stands = at;
    const row = at === null ? null : this.row(picture.data.rows, at);
    if (!row) return picture.say(picture.said);
    const [begin, end, [mean, least, greatest, expected, low, high]] = row;
    if (at < begin - (end - begin) || at > end + (end - begin)) {
      return picture.say(stamp(at, this.zone) + ": no readings");
    }
    const sign = picture.data.sign;
    let words = stamp((begin + end) / 2, this.zone) + ": " + number(mean) + " " + sign;
    if (least !== greatest) words += " (" + number(least) + " to " + number(greatest) + ")";
    if (expected !== null) {
      words += ", expected " + number(expected) + " " + sign;
      if (low !== null) words += " (" + number(low) + " to " + number(high) + ")";
    } else {
      words += ", nothing expected";
    }
    picture.say(words);
  }

  step(picture, at, by) {
    const rows = picture.data.rows;
    const here = rows.indexOf(this.row(rows, at));
    const row = rows[clamp(here + by, 0, rows.length - 1)];
    if (row) this.cursor(picture, (row[0] + row[1]) / 2);
  }
}

// Spectra, envelopes and waveforms of all sensors, on one scale along.
class Waveforms {
  constructor(boxes) {
    this.path = machine.dataset.path;
    this.before = [];
    this.harmonic = null;
    this.pictures = boxes.map((box) => new Picture(box, this));
    this.chosen = document.querySelector(".choices");
    this.form = this.choice("form");
    this.chosen.addEventListener("change", () => {
      if (this.choice("form") !== this.form) this.from = this.to = null;
      this.form = this.choice("form");
      this.draw();
    });
    this.from = this.to = null;
    let waits = null;
    new ResizeObserver(() => {
      clearTimeout(waits);
      waits = setTimeout(() => this.draw(), 200);
    }).observe(boxes[0]);
  }

  choice(name) {
    return this.chosen.querySelector("[name=" + name + "]:checked").value;
  }

  draw() {
    const shows = [...this.chosen.querySelectorAll("[name=shows]:checked")].map((box) => box.value).join(",");
    for (const picture of this.pictures) {
      picture.box.classList.toggle("tall", this.form === "waveform");
      const asked = new URLSearchParams({
        sensor: picture.box.dataset.sensor,
        form: this.form,
        motion: this.choice("motion"),
        scale: this.choice("scale"),
        shows,
        width: Math.round(picture.room.clientWidth),
        height: Math.round(picture.room.clientHeight),
      });
      if (this.to !== null) {
        asked.set("from", this.from);
        asked.set("to", this.to);
      }
      picture.draw(this.path + "/waveform.json?" + asked);
    }
  }

  drawn(picture) {
    picture.stands = null;
    this.harmonics(picture);
  }

  harmonics(picture) {
    const lines = [];
    if (this.harmonic && this.form !== "waveform") {
      for (let k = 1; k <= 60; k++) lines.push(k * this.harmonic);
    }
    picture.lines("harmonic", lines);
  }

  range(picture, from, to) {
    this.before.push([this.from, this.to]);
    this.from = Math.max(from, 0);
    this.to = Math.max(to, this.from + 1e-3);
    this.draw();
  }

  back() {
    if (this.harmonic) {
      this.harmonic = null;
      for (const picture of this.pictures) this.harmonics(picture);
      return;
    }
    const before = this.before.pop();
    if (!before) return;
    [this.from, this.to] = before;
    this.draw();
  }

  // The highest place of the first curve near the cursor: a hand is coarser than a line.
  nearest(picture, at) {
    const curve = picture.data.curves[0];
    if (!curve) return null;
    const plot = picture.data.plot;
    const reach = 5 * (plot.to - plot.from) / (plot.right - plot.left);
    let best = null;
    for (const place of curve[1]) {
      if (Math.abs(place[0] - at) > reach) continue;
      if (best === null || Math.abs(place[1]) > Math.abs(best[1])) best = place;
    }
    return best;
  }

  click(picture, at) {
    if (this.form === "waveform") return;
    const place = this.nearest(picture, at);
    this.harmonic = place ? place[0] : at;
    for (const each of this.pictures) this.harmonics(each);
  }

  cursor(from, at) {
    for (const picture of this.pictures) {
      if (!picture.data) continue;
      picture.stands = at;
      const place = at === null ? null : this.nearest(picture, at);
      if (!place) {
        picture.lines("cursor", at === null ? [] : [at]);
        if (at === null) picture.say(picture.said + picture.data.notes.map((note) => " · " + note).join(""));
        continue;
      }
      picture.lines("cursor", [place[0]]);
      picture.say(this.words(picture.data, place));
    }
  }

  words(data, place) {
    const [along, value] = place;
    if (data.along === "s") return number(along * 1000) + " ms: " + number(value) + " " + data.sign;
    let words = number(along) + " Hz, " + number(60 * along) + " rpm";
    if (data.shaft_hz) words += ", " + (along / data.shaft_hz).toFixed(2) + " × shaft speed";
    words += ": " + number(value) + " " + data.sign;
    for (const [name, places] of data.curves.slice(1)) {
      let best = null;
      for (const other of places) {
        if (best === null || Math.abs(other[0] - along) < Math.abs(best[0] - along)) best = other;
      }
      if (best) words += "; " + name.split(",")[0] + " " + number(best[1]);
    }
    if (this.harmonic) {
      const order = along / this.harmonic;
      words += "; " + order.toFixed(2) + " × " + number(this.harmonic) + " Hz";
    }
    return words;
  }

  step(picture, at, by) {
    const curve = picture.data.curves[0];
    if (!curve || !curve[1].length) return;
    const plot = picture.data.plot;
    const pixel = (plot.to - plot.from) / (plot.right - plot.left);
    this.cursor(picture, clamp(at + 6 * by * pixel, plot.from, plot.to));
  }
}

if (machine) {
  for (const hidden of document.querySelectorAll(".ranges, .choices, .hint")) hidden.hidden = false;
  const trends = [...document.querySelectorAll(".trend.chart-box")];
  if (trends.length) new Trends(trends);
  const waveforms = [...document.querySelectorAll(".vibration.chart-box")];
  if (waveforms.length) new Waveforms(waveforms);
}
