// What a reader can do with a report: values under the pointer and by keyboard, sorted and filtered tables, data to keep,
// and a replay of two runs. It reads the page alone and asks for nothing; without it the page is complete.
"use strict";
(() => {
  const SVG = document.querySelector("svg").namespaceURI;

  /** An element with attributes and children. */
  function make(name, attributes = {}, ...children) {
    const element = document.createElement(name);
    for (const [key, value] of Object.entries(attributes)) {
      if (key === "onclick" || key === "oninput") element[key] = value;
      else element.setAttribute(key, value);
    }
    element.append(...children);
    return element;
  }

  function draw(name, attributes) {
    const element = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    return element;
  }

  // Values of marks.

  const tip = make("div", { class: "tip", role: "status" });
  let lit = null;

  function light(mark, x, y) {
    lit?.classList.remove("lit");
    lit = mark;
    mark.classList.add("lit");
    if (tip.textContent !== mark.dataset.tip) tip.textContent = mark.dataset.tip;
    tip.style.display = "block";
    const room = document.documentElement.clientWidth - tip.offsetWidth - 8;
    tip.style.left = `${Math.max(4, Math.min(x + 14, room))}px`;
    tip.style.top = `${y + 18 + tip.offsetHeight > innerHeight ? y - tip.offsetHeight - 12 : y + 18}px`;
  }

  function dark() {
    lit?.classList.remove("lit");
    lit = null;
    tip.style.display = "none";
    tip.textContent = "";
  }

  function listenToMarks() {
    document.body.append(tip);
    document.addEventListener("pointermove", (event) => {
      const mark = event.target.closest?.("[data-tip]");
      if (mark) light(mark, event.clientX, event.clientY);
      else if (lit && event.pointerType === "mouse") dark();
    });
    document.querySelectorAll("svg.chart").forEach(stepByKeys);
  }

  /** Arrow keys go from mark to mark. */
  function stepByKeys(chart) {
    const marks = [...chart.querySelectorAll("[data-tip]")];
    if (!marks.length) return;
    let at = -1;
    chart.setAttribute("tabindex", "0");
    chart.setAttribute("aria-roledescription", "chart, arrow keys give values");
    chart.addEventListener("keydown", (event) => {
      const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
      if (event.key === "Escape") return dark();
      if (!step) return undefined;
      event.preventDefault();
      at = (at + step + marks.length) % marks.length;
      const box = marks[at].getBoundingClientRect();
      return light(marks[at], box.left + box.width / 2, box.top + box.height / 2);
    });
    chart.addEventListener("blur", dark);
  }

  /** A control with its name, which a narrow screen does not part. */
  const named = (name, control) => make("span", { class: "named" }, name, control);
  const minus = (text) => text.replaceAll("-", "\u2212");

  /** Round values in a range, about so many. */
  function ticks([low, high], about) {
    const raw = (high - low) / about;
    const power = 10 ** Math.floor(Math.log10(raw));
    const step = power * [1, 2, 5, 10].find((factor) => factor * power >= raw);
    const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    const found = [];
    for (let n = Math.ceil(low / step - 1e-9); n * step <= high + 1e-9; n += 1) found.push([n * step, minus((n * step).toFixed(decimals))]);
    return found;
  }

  /** A list to choose from by number. */
  function choice(label, names, chosen, onchoose) {
    const list = make("select", { "aria-label": label }, ...names.map((name, i) => make("option", { value: i }, name)));
    list.value = chosen;
    list.oninput = onchoose;
    return list;
  }

  // Tables.

  const SUPERSCRIPTS = "⁰¹²³⁴⁵⁶⁷⁸⁹";

  /** The number that a cell begins with; powers of ten as the page writes them; nothing for words. */
  function valueOf(cell) {
    const text = cell.innerText.split("\n")[0].replace(/[\u202f\u00a0]/g, "").replace("−", "-").replace(/^< /, "");
    const number = parseFloat(text);
    const power = text.match(/×\s*10(⁻?)([⁰¹²³⁴⁵⁶⁷⁸⁹]+)/);
    if (!power) return number;
    const digits = [...power[2]].map((digit) => SUPERSCRIPTS.indexOf(digit)).join("");
    return number * 10 ** (power[1] ? -digits : +digits);
  }

  function sortable(table) {
    const body = table.tBodies[0];
    [...table.tHead.rows[0].cells].forEach((head, column) => {
      const button = make("button", { type: "button", class: "sort" }, ...head.childNodes);
      head.replaceChildren(button);
      button.onclick = () => {
        const down = head.getAttribute("aria-sort") === "ascending";
        for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        const key = (row) => row.cells[column];
        const compare = (a, b) => {
          const [x, y] = [valueOf(key(a)), valueOf(key(b))];
          if (Number.isNaN(x) || Number.isNaN(y)) {
            return Number.isNaN(x) - Number.isNaN(y) || key(a).innerText.localeCompare(key(b).innerText);
          }
          return x - y;
        };
        const rows = [...body.rows].sort(compare);
        body.append(...(down ? rows.reverse() : rows));
      };
    });
  }

  /** Keeps a text as a file. */
  function keep(name, text, type) {
    const url = URL.createObjectURL(new Blob([text], { type }));
    const link = make("a", { href: url, download: name });
    document.body.append(link);
    link.click();
    link.remove();
    URL.revokeObjectURL(url);
  }

  function csvOf(table) {
    const quote = (cell) => `"${cell.textContent.replaceAll('"', '""')}"`;
    return [...table.rows].map((row) => [...row.cells].map(quote).join(",")).join("\r\n") + "\r\n";
  }

  function equip(table) {
    if (!table.tHead || !table.tBodies[0] || table.closest(".panel")) return;
    const caption = table.caption?.textContent ?? "table";
    const many = table.tBodies[0].rows.length > 5;
    const controls = make("p", { class: "controls" });
    if (many) {
      const wanted = make("input", { type: "search", placeholder: "rows with …", "aria-label": `Rows of: ${caption}` });
      wanted.oninput = () => {
        for (const row of table.tBodies[0].rows) {
          row.hidden = !row.cells[0].innerText.toLowerCase().includes(wanted.value.toLowerCase());
        }
      };
      controls.append(wanted, " ");
    }
    const name = `${caption.toLowerCase().replace(/[^a-z0-9]+/g, "-").slice(0, 40)}.csv`;
    controls.append(make("button", {
      type: "button", "aria-label": `Download CSV: ${caption}`, onclick: () => keep(name, csvOf(table), "text/csv"),
    }, "Download CSV"));
    (table.closest(".scroll") ?? table).after(controls);
    if (many) sortable(table);
  }

  // Replay.

  const WIDTH = 980, LEFT = 52, RIGHT = WIDTH - 14;
  const PANELS = [
    { title: "elevation, m", top: 22, height: 100 },
    { title: "gear", top: 140, height: 62 },
    { title: "speed, m/s", top: 220, height: 62 },
    { title: "A − B, s", top: 300, height: 62 },
  ];

  /** The value at `x`, linear between points; `xs` increases. */
  function between(xs, ys, x) {
    let low = 0, high = xs.length - 1;
    if (x <= xs[0]) return ys[0];
    if (x >= xs[high]) return ys[high];
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (xs[middle] <= x) low = middle;
      else high = middle;
    }
    return ys[low] + ((ys[high] - ys[low]) * (x - xs[low])) / (xs[high] - xs[low]);
  }

  /** The last sample at or before a time. */
  function sampleAt(run, time) {
    let low = 0, high = run.t.length - 1;
    while (high > low) {
      const middle = (low + high + 1) >> 1;
      if (run.t[middle] <= time) low = middle;
      else high = middle - 1;
    }
    return low;
  }

  /** Place and time at which each place was first reached. */
  function firstPassed(run) {
    const d = [], t = [];
    run.d.forEach((place, i) => {
      if (!d.length || place > d[d.length - 1]) { d.push(place); t.push(run.t[i]); }
    });
    return { d, t };
  }

  class Replay {
    constructor(place, courses) {
      Object.assign(this, { courses, time: 0, playing: false });
      this.build(place);
      this.choose();
    }

    build(place) {
      const select = (label, names, chosen) => choice(label, names, chosen, () => this.choose());
      const button = (text, act) => make("button", { type: "button", onclick: act }, text);
      this.course = select("Course", this.courses.map((course) => course.title), 0);
      const labels = this.courses[0].runs.map((run) => run.label);
      this.a = select("Policy A", labels, Math.min(2, labels.length - 1));
      this.b = select("Policy B", labels, Math.min(1, labels.length - 1));
      this.play = button("Play", () => this.toggle());
      this.pace = select("Pace", ["1 ×", "4 ×", "16 ×"], 1);
      this.scrub = make("input", { type: "range", min: 0, max: 1000, value: 0, "aria-label": "Time", class: "scrub" });
      this.scrub.oninput = () => this.show((this.scrub.value / 1000) * this.end);
      this.readout = make("div", { class: "readout" });
      this.svg = draw("svg", { class: "chart replay", viewBox: `0 0 ${WIDTH} 400`, role: "img", tabindex: "0" });
      const box = make("div", { class: "player", role: "group", "aria-label": "Replay of two runs" },
        make("h3", {}, "Replay two runs"),
        make("p", { class: "controls" }, named("Course", this.course), " ", named("A", this.a), " ", named("B", this.b)),
        make("p", { class: "controls" }, this.play, " ", this.pace, " ", this.scrub, " ",
          button("Zoom in", () => this.zoom(0.5)), " ", button("Zoom out", () => this.zoom(2)), " ",
          button("Whole course", () => this.zoom(Infinity)), " ",
          button("Download runs (CSV)", () => keep("runs.csv", this.csv(), "text/csv"))),
        this.readout, make("div", { class: "scroll" }, this.svg));
      place.prepend(box);
      this.svg.addEventListener("pointermove", (event) => this.point(event));
      this.svg.addEventListener("keydown", (event) => {
        const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
        if (!step) return;
        event.preventDefault();
        this.show(Math.max(0, Math.min(this.end, this.time + step * (event.shiftKey ? 5 : 0.5))));
      });
    }

    choose() {
      const course = this.courses[this.course.value];
      for (const list of [this.a, this.b]) {
        const chosen = Math.min(list.value, course.runs.length - 1);
        list.replaceChildren(...course.runs.map((run, i) => make("option", { value: i }, run.label)));
        list.value = chosen;
      }
      this.data = course;
      this.runs = [course.runs[this.a.value], course.runs[this.b.value]];
      this.passed = this.runs.map(firstPassed);
      this.end = Math.max(...this.runs.map((run) => run.t[run.t.length - 1]));
      this.whole = [course.x[0], course.x[course.x.length - 1]];
      this.range = [...this.whole];
      this.paint();
      this.show(Math.min(this.time, this.end));
    }

    at(x) {
      return LEFT + ((x - this.range[0]) / (this.range[1] - this.range[0])) * (RIGHT - LEFT);
    }

    zoom(factor) {
      const half = ((this.range[1] - this.range[0]) * factor) / 2;
      const middle = between(this.runs[0].t, this.runs[0].d, this.time);
      const [low, high] = this.whole;
      const width = Math.min(2 * half, high - low);
      const from = Math.max(low, Math.min(middle - width / 2, high - width));
      this.range = Number.isFinite(factor) ? [from, from + width] : [low, high];
      this.paint();
      this.show(this.time);
    }

    line(panel, xs, ys, [low, high], look, steps) {
      const y = (value) => panel.top + panel.height - ((value - low) / (high - low || 1)) * panel.height;
      const points = [];
      xs.forEach((x, i) => {
        if (ys[i] === null || x < this.range[0] || x > this.range[1]) return;
        const previous = points[points.length - 1];
        if (steps && previous) points.push([this.at(x), previous[1]]);
        points.push([this.at(x), y(ys[i])]);
      });
      const list = points.map((point) => point.map((c) => c.toFixed(1)).join(",")).join(" ");
      this.svg.append(draw("polyline", { points: list, class: look === "profile" ? look : `run ${look}` }));
    }

    label(x, y, text, anchor = "end", look = "tick") {
      const element = draw("text", { x, y, "text-anchor": anchor, class: look });
      element.textContent = text;
      this.svg.append(element);
    }

    paint() {
      this.svg.replaceChildren();
      this.svg.setAttribute("aria-label", `${this.data.title}: ${this.runs.map((run) => run.label).join(" and ")}`);
      const span = (list) => [Math.min(...list), Math.max(...list)];
      const [ground, gear, speed, less] = PANELS;
      const heights = span(this.data.z);
      this.heights = heights;
      const top = Math.max(...this.runs.flatMap((run) => run.v));
      const difference = this.passed[0].d.map((x, i) => this.passed[0].t[i] - between(this.passed[1].d, this.passed[1].t, x));
      const bounds = span([0, ...difference]);
      const scales = [heights, [0.5, this.data.gears + 0.5], [0, top], bounds];
      PANELS.forEach((panel, i) => {
        const [low, high] = scales[i];
        this.svg.append(draw("rect", {
          class: "frame", x: LEFT, y: panel.top, width: RIGHT - LEFT, height: panel.height,
        }));
        this.label(RIGHT, panel.top - 3, panel.title);
        const shown = i === 1 ? [1, this.data.gears] : [low, high];
        this.label(LEFT - 14, panel.top + panel.height - (i === 1 ? 8 : 0), minus(shown[0].toFixed(i === 1 ? 0 : 1)));
        this.label(LEFT - 14, panel.top + (i === 1 ? 14 : 9), minus(shown[1].toFixed(i === 1 ? 0 : 1)));
      });
      this.line(ground, this.data.x, this.data.z, heights, "profile");
      for (const [x, mm] of this.data.obstacles) {
        if (x < this.range[0] || x > this.range[1]) continue;
        this.svg.append(draw("line", { class: "obstacle-line", x1: this.at(x), x2: this.at(x), y1: 22, y2: 362 }));
      }
      this.runs.forEach((run, i) => {
        this.line(gear, run.d, run.g.map((g) => (g === null ? null : g + (i ? -0.12 : 0.12))), scales[1], run.look, true);
        this.line(speed, run.d, run.v, scales[2], run.look);
      });
      const zero = less.top + less.height - ((0 - bounds[0]) / (bounds[1] - bounds[0] || 1)) * less.height;
      this.svg.append(draw("line", { class: "grid", x1: LEFT, x2: RIGHT, y1: zero, y2: zero }));
      this.line(less, this.passed[0].d, difference, bounds, this.runs[0].look);
      for (const [x, text] of ticks(this.range, 8)) this.label(this.at(x), 378, text, "middle");
      this.label((LEFT + RIGHT) / 2, 394, "distance, m", "middle");
      this.cursor = draw("line", { class: "cursor", x1: 0, x2: 0, y1: 22, y2: 362 });
      this.svg.append(this.cursor);
      this.carts = this.runs.map((run, i) => {
        const cart = draw("g", { class: `cart ${run.look}` });
        cart.append(draw("rect", { x: -11, y: -13, width: 22, height: 8, rx: 1.5 }),
          draw("circle", { cx: -6, cy: -3, r: 3.2 }), draw("circle", { cx: 6, cy: -3, r: 3.2 }));
        const name = draw("text", { x: 0, y: -16 - 11 * i, "text-anchor": "middle", class: "row halo" });
        name.textContent = "AB"[i];
        cart.append(name);
        this.svg.append(cart);
        return cart;
      });
    }

    /** What a run does at a time, in words. */
    words(run, time) {
      const i = sampleAt(run, time);
      const place = between(run.t, run.d, time);
      const gear = run.g[i] === null ? "selector moving" : `gear ${run.g[i]}`;
      const before = between(run.t, run.d, Math.max(0, time - 0.6));
      const hit = this.data.obstacles.find(([x]) => before < x && x <= place);
      const event = run.e.find(([x]) => before < x && x <= place);
      const happening = [hit && `strikes ${hit[2]}, ${hit[1]} mm`, event && event[1]].filter(Boolean).join(", ");
      const last = run.t[run.t.length - 1];
      const state = time > last ? run.outcome : `${gear}, ${run.v[i].toFixed(2)} m/s, load ${run.l[i]} ‰ of top gear's stall`;
      return `${Math.min(time, last).toFixed(1)} s, ${place.toFixed(2)} m: ${state}${happening ? `; ${happening}` : ""}`;
    }

    show(time) {
      this.time = time;
      this.scrub.value = Math.round((1000 * time) / this.end);
      this.scrub.setAttribute("aria-valuetext", `${time.toFixed(1)} s`);
      const [low, high] = this.heights;
      this.runs.forEach((run, i) => {
        const x = between(run.t, run.d, time);
        const z = between(this.data.x, this.data.z, x);
        const y = PANELS[0].top + PANELS[0].height * (1 - (z - low) / (high - low || 1));
        const inside = x >= this.range[0] && x <= this.range[1];
        this.carts[i].setAttribute("transform", `translate(${this.at(x).toFixed(1)} ${y.toFixed(1)})`);
        this.carts[i].setAttribute("visibility", inside ? "visible" : "hidden");
      });
      const x = this.at(between(this.runs[0].t, this.runs[0].d, time));
      this.cursor.setAttribute("x1", x);
      this.cursor.setAttribute("x2", x);
      this.readout.replaceChildren(...this.runs.map((run, i) =>
        make("p", {}, make("b", {}, `${"AB"[i]} ${run.label}`), ` ${this.words(run, time)}`)));
    }

    point(event) {
      if (this.playing) return;
      const box = this.svg.getBoundingClientRect();
      const share = (((event.clientX - box.left) / box.width) * WIDTH - LEFT) / (RIGHT - LEFT);
      if (share < 0 || share > 1) return;
      const x = this.range[0] + share * (this.range[1] - this.range[0]);
      this.show(between(this.passed[0].d, this.passed[0].t, x));
    }

    toggle() {
      this.playing = !this.playing;
      this.play.textContent = this.playing ? "Pause" : "Play";
      if (!this.playing) return;
      if (this.time >= this.end) this.time = 0;
      let last = null;
      const step = (now) => {
        if (!this.playing) return;
        const pace = [1, 4, 16][this.pace.value];
        const time = this.time + (last === null ? 0 : ((now - last) / 1000) * pace);
        last = now;
        this.show(Math.min(time, this.end));
        if (time >= this.end) this.toggle();
        else requestAnimationFrame(step);
      };
      requestAnimationFrame(step);
    }

    csv() {
      const head = "policy,time_s,distance_m,gear,speed_m_per_s,load_permille\r\n";
      return head + this.runs.map((run) => run.t.map((t, i) =>
        [`"${run.label.replaceAll('"', '""')}"`, t, run.d[i], run.g[i] ?? "", run.v[i], run.l[i]].join(",")).join("\r\n")).join("\r\n") + "\r\n";
    }
  }

  // Two shift maps.

  const ASKS = { d: "down", h: "hold", u: "up" };
  const MAP = { width: 330, left: 44, right: 316, top: 22 };

  /** The decisions of A as in its own map, marked where those of B differ. */
  class MapPair {
    constructor(place, data) {
      this.data = data;
      const labels = data.policies.map((policy) => policy.label);
      const select = (label, chosen) => choice(label, labels, chosen, () => this.paint());
      this.a = select("Shift map A", data.a);
      this.b = select("Shift map B", data.b);
      this.readout = make("p", { class: "readout", role: "status" });
      this.drawings = make("div", { class: "pairs" });
      place.prepend(make("div", { class: "player maps", role: "group", "aria-label": "Two shift maps" },
        make("h3", {}, "Compare two shift maps"),
        make("p", { class: "controls" }, named("A", this.a), " ", named("B", this.b), " ",
          make("button", { type: "button", onclick: () => keep("shift-maps.csv", this.csv(), "text/csv") }, "Download cells (CSV)")),
        this.readout, this.drawings));
      this.paint();
    }

    /** Per gear the pairs of decisions, a text of two letters for each cell. */
    pairs() {
      const [a, b] = [this.data.policies[this.a.value], this.data.policies[this.b.value]];
      return a.asks.map((asks, gear) => [...asks].map((ask, cell) => ask + b.asks[gear][cell]));
    }

    paint() {
      dark();
      const all = this.pairs();
      const differ = all.flat().filter((pair) => pair[0] !== pair[1]).length;
      const cells = all.flat().length;
      const [a, b] = [this.a, this.b].map((list) => list.selectedOptions[0].textContent);
      this.readout.textContent = differ === 0 ? `A (${a}) and B (${b}) request the same in all ${cells} cells.`
        : `A (${a}) is drawn; outlined: B (${b}) requests something else, in ${differ} of ${cells} cells ` +
          `(${((100 * differ) / cells).toFixed(1)}\u00a0%).`;
      const columns = this.data.x.length - 1;
      // A strip is enough where nothing changes upwards.
      const flat = all.every((pairs) => regions(pairs, columns).every((region) => region.low === 0 && region.high > 0 &&
        region.high * columns === pairs.length));
      const bottom = MAP.top + (flat ? 34 : 150);
      this.drawings.replaceChildren(...all.map((pairs, gear) => this.map(pairs, gear + 1, bottom, flat)));
      this.drawings.querySelectorAll("svg").forEach(stepByKeys);
    }

    map(pairs, gear, bottom, flat) {
      const { x, y } = this.data;
      const columns = x.length - 1;
      const svg = draw("svg", {
        class: "chart", viewBox: `0 0 ${MAP.width} ${bottom + 40}`, role: "img",
        "aria-label": `Gear ${gear}: requests of A and where those of B differ`,
      });
      const text = (px, py, anchor, look, words) => {
        const element = draw("text", { x: px, y: py, "text-anchor": anchor, class: look });
        element.textContent = words;
        svg.append(element);
      };
      const across = (value) => MAP.left + ((value - x[0]) / (x[columns] - x[0])) * (MAP.right - MAP.left);
      const up = (value) => bottom - ((value - y[0]) / (y[y.length - 1] - y[0])) * (bottom - MAP.top);
      text(4, 14, "start", "row", `in gear ${gear}`);
      // Outlines and words lie above all cells.
      const [marks, outlines, words] = [[], [], []];
      for (const { from, to, low, high, pair } of regions(pairs, columns)) {
        const [left, width] = [across(x[from]), across(x[to]) - across(x[from])];
        const [top, height] = [up(y[high]), up(y[low]) - up(y[high])];
        const differs = pair[0] !== pair[1];
        const said = differs ? `A ${ASKS[pair[0]]}, B ${ASKS[pair[1]]}` : `both ${ASKS[pair[0]]}`;
        const span = (title, from, to) => `, ${title} ${minus(`${from} to ${to}`)}`;
        const upwards = flat ? "" : span(this.data.yTitle, y[low], y[high]);
        const mark = draw("g", { "data-tip": `gear ${gear}${span(this.data.xTitle, x[from], x[to])}${upwards}: ${said}` });
        mark.append(draw("rect", { x: left, y: top, width, height, class: `ask-${ASKS[pair[0]]}` }));
        if (differs) outlines.push(draw("rect", { x: left, y: top, width, height, class: "differs" }));
        marks.push(mark);
        const short = differs ? `${ASKS[pair[0]]} | ${ASKS[pair[1]]}` : ASKS[pair[0]];
        if (width > 7.4 * short.length && height > 15) words.push([left + width / 2, top + height / 2 + 4, short]);
      }
      svg.append(...marks, ...outlines);
      for (const [px, py, short] of words) text(px, py, "middle", "word halo", short);
      for (const value of [x[0], (x[0] + x[columns]) / 2, x[columns]]) text(across(value), bottom + 14, "middle", "tick", `${value}`);
      for (const [value, shown] of flat ? [] : ticks([y[0], y[y.length - 1]], 4)) text(MAP.left - 5, up(value) + 4, "end", "tick", shown);
      text((MAP.left + MAP.right) / 2, bottom + 32, "middle", "axis-title", `${this.data.xTitle}, ${this.data.xUnit}`);
      if (!flat) text(MAP.right, 14, "end", "axis-title", `${this.data.yTitle} upwards, ${this.data.yUnit}`);
      return svg;
    }

    csv() {
      const { x, y } = this.data;
      const columns = x.length - 1;
      const rows = this.pairs().flatMap((pairs, gear) => pairs.map((pair, cell) => {
        const [column, row] = [cell % columns, Math.floor(cell / columns)];
        return [gear + 1, x[column], x[column + 1], y[row], y[row + 1], ASKS[pair[0]], ASKS[pair[1]]].join(",");
      }));
      return ["gear,x_from,x_to,y_from,y_to,a,b", ...rows].join("\r\n") + "\r\n";
    }
  }

  /** Rectangles of one pair of decisions: runs of equal cells, over neighbouring rows that are alike. */
  function regions(pairs, columns) {
    const found = [];
    const row = (n) => pairs.slice(n * columns, (n + 1) * columns);
    const rows = pairs.length / columns;
    for (let low = 0, high; low < rows; low = high) {
      const cells = row(low);
      for (high = low + 1; high < rows && row(high).join() === cells.join(); high += 1);
      for (let from = 0, to; from < columns; from = to) {
        for (to = from + 1; to < columns && cells[to] === cells[from]; to += 1);
        found.push({ from, to, low, high, pair: cells[from] });
      }
    }
    return found;
  }

  listenToMarks();
  document.querySelectorAll("main table").forEach(equip);
  const data = document.getElementById("runs-data");
  if (data) {
    const courses = JSON.parse(data.textContent);
    if (courses.length) new Replay(document.getElementById("replay"), courses);
  }
  const maps = document.getElementById("maps-data");
  if (maps) new MapPair(document.getElementById("map-pair"), JSON.parse(maps.textContent));
})();
