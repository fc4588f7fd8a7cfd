// Opens reports in a headless browser and tells what a reader would meet, as JSON on standard output.
//
//   node browser.mjs BROWSER AXE OUT PAGE...
//
// BROWSER is the browser's program, AXE the file axe.min.js of axe-core, OUT a folder for pictures and prints.
// Speaks the browser's debugging protocol over a pipe (file descriptors 3 and 4, messages ended by a zero byte).
import { spawn } from "node:child_process";
import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { basename, join, resolve } from "node:path";
import { pathToFileURL } from "node:url";

const [browser, axe, out, ...pages] = process.argv.slice(2);
const AXE = readFileSync(axe, "utf8");
const WIDTHS = [360, 768, 1280]; // CSS pixels
const PATIENCE_MS = 240_000;

/** The browser, and its answers. */
class Pipe {
  constructor(profile) {
    const flags = ["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
      "--force-color-profile=srgb", "--hide-scrollbars", "--disable-background-networking", "--disable-extensions",
      `--user-data-dir=${profile}`, "--remote-debugging-pipe", "about:blank"];
    this.process = spawn(browser, flags, { stdio: ["ignore", "ignore", "ignore", "pipe", "pipe"] });
    this.waiting = new Map();
    this.listeners = [];
    this.number = 0;
    let rest = Buffer.alloc(0);
    this.process.stdio[4].on("data", (piece) => {
      rest = Buffer.concat([rest, piece]);
      for (let end = rest.indexOf(0); end >= 0; end = rest.indexOf(0)) {
        this.take(JSON.parse(rest.subarray(0, end).toString()));
        rest = rest.subarray(end + 1);
      }
    });
    this.gone = new Promise((done) => this.process.on("exit", done).on("error", done));
    this.process.on("exit", (code) => this.fail(new Error(`the browser ended with ${code}`)));
    this.process.on("error", (error) => this.fail(error));
  }

  fail(error) {
    for (const { reject } of this.waiting.values()) reject(error);
    this.waiting.clear();
  }

  take(message) {
    const asked = this.waiting.get(message.id);
    if (asked) {
      this.waiting.delete(message.id);
      if (message.error) asked.reject(new Error(message.error.message));
      else asked.resolve(message.result);
    } else {
      for (const listener of this.listeners) listener(message);
    }
  }

  /** Ends the browser and waits for it; by force if it does not go by itself. */
  async close() {
    this.ask("Browser.close").catch(() => {});
    const force = setTimeout(() => this.process.kill("SIGKILL"), 10_000);
    await this.gone;
    clearTimeout(force);
  }

  ask(method, params = {}, sessionId = undefined) {
    const id = ++this.number;
    return new Promise((done, reject) => {
      const late = setTimeout(() => reject(new Error(`${method} took too long`)), PATIENCE_MS);
      const settle = (how) => (value) => (clearTimeout(late), how(value));
      this.waiting.set(id, { resolve: settle(done), reject: settle(reject) });
      this.process.stdio[3].write(JSON.stringify({ id, method, params, sessionId }) + "\0");
    });
  }
}

/** One tab with everything that it complains about. */
class Tab {
  static async open(pipe) {
    const tab = new Tab();
    tab.pipe = pipe;
    tab.complaints = [];
    tab.requests = [];
    tab.dialogs = [];
    const { targetId } = await pipe.ask("Target.createTarget", { url: "about:blank" });
    const { sessionId } = await pipe.ask("Target.attachToTarget", { targetId, flatten: true });
    tab.session = sessionId;
    pipe.listeners.push((event) => event.sessionId === sessionId && tab.hear(event));
    for (const domain of ["Page", "Runtime", "Log", "Network"]) await tab.ask(`${domain}.enable`);
    return tab;
  }

  ask(method, params) {
    return this.pipe.ask(method, params, this.session);
  }

  hear({ method, params }) {
    if (method === "Runtime.consoleAPICalled" && ["error", "warning", "assert"].includes(params.type)) {
      this.complaints.push(params.args.map((arg) => arg.value ?? arg.description).join(" "));
    } else if (method === "Runtime.exceptionThrown") {
      this.complaints.push(params.exceptionDetails.exception?.description ?? params.exceptionDetails.text);
    } else if (method === "Log.entryAdded" && ["error", "warning"].includes(params.entry.level)) {
      this.complaints.push(params.entry.text);
    } else if (method === "Network.requestWillBeSent") {
      this.requests.push(params.request.url);
    } else if (method === "Page.javascriptDialogOpening") {
      this.dialogs.push(params.message);
      this.ask("Page.handleJavaScriptDialog", { accept: true });
    } else if (method === "Page.loadEventFired") {
      this.loaded?.();
    }
  }

  async load(url) {
    const loaded = new Promise((done) => (this.loaded = done));
    await this.ask("Page.navigate", { url });
    await loaded;
  }

  async evaluate(expression) {
    const { result, exceptionDetails } = await this.ask("Runtime.evaluate", {
      expression, awaitPromise: true, returnByValue: true,
    });
    if (exceptionDetails) throw new Error(exceptionDetails.exception?.description ?? exceptionDetails.text);
    return result.value;
  }

  width(width) {
    return this.ask("Emulation.setDeviceMetricsOverride",
      { width, height: 900, deviceScaleFactor: 1, mobile: width < 500 });
  }

  scheme(value) {
    return this.ask("Emulation.setEmulatedMedia", { features: [{ name: "prefers-color-scheme", value }] });
  }

  async picture(file) {
    const height = Math.min(await this.evaluate("document.documentElement.scrollHeight"), 16_000);
    const width = await this.evaluate("innerWidth");
    const { data } = await this.ask("Page.captureScreenshot",
      { captureBeyondViewport: true, clip: { x: 0, y: 0, width, height, scale: 1 } });
    writeFileSync(file, Buffer.from(data, "base64"));
  }
}

/** Everything that axe-core finds, with the first places of each, and what it cannot decide about the contrast of texts
 * outside charts. */
async function accessibility(tab) {
  const [found, undecided] = await tab.evaluate(`${AXE};axe.run(document, { resultTypes: ["violations", "incomplete"] }).then((r) => {
    const words = (v, nodes) => v.id + ": " + v.help + " (" + nodes.length + "): " +
      nodes.slice(0, 3).map((n) => n.target.join(" ") + " " + (n.any[0]?.message ?? "")).join("; ");
    const outside = (n) => !document.querySelector(n.target[0])?.closest("svg");
    const open = r.incomplete.map((v) => [v, v.nodes.filter(outside)]).filter(([, nodes]) => nodes.length);
    return [r.violations.map((v) => words(v, v.nodes)), open.map(([v, nodes]) => words(v, nodes))];
  })`);
  const tested = await tab.evaluate("axe.version");
  return { found, undecided, tested };
}

/** Texts of charts that are hard to read, which axe-core cannot decide: too little contrast with what is behind them. */
const FAINT = `(() => {
  const channels = (colour) => (colour.match(/[\\d.]+/g) ?? []).map(Number);
  const light = (colour) => {
    const [r, g, b] = channels(colour).slice(0, 3).map((c) => {
      const s = c / 255;
      return s <= 0.04045 ? s / 12.92 : ((s + 0.055) / 1.055) ** 2.4;
    });
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const contrast = (a, b) => {
    const [high, low] = [light(a), light(b)].sort((x, y) => y - x);
    return (high + 0.05) / (low + 0.05);
  };
  const behind = (element) => {
    for (let e = element; e; e = e.parentElement) {
      const colour = getComputedStyle(e).backgroundColor;
      if (channels(colour)[3] !== 0) return colour;
    }
    return "rgb(255, 255, 255)";
  };
  const faint = [];
  for (const chart of document.querySelectorAll("svg.chart")) {
    if (!chart.checkVisibility()) continue;
    const own = chart.querySelector(":scope > rect.paper");
    const paper = own ? getComputedStyle(own).fill : behind(chart.parentElement);
    const shapes = [...chart.querySelectorAll("rect:not(.target):not(.frame):not(.paper), polygon, circle")]
      .filter((shape) => { const s = getComputedStyle(shape); return s.fill !== "none" && s.fillOpacity !== "0"; })
      .map((shape) => shape.getBoundingClientRect());
    const boxes = [...chart.querySelectorAll("text")].map((text) => [text, text.getBoundingClientRect()]);
    for (const [title, box] of boxes.filter(([text]) => text.classList.contains("axis-title"))) {
      const onto = boxes.find(([text, b]) => text !== title && b.left < box.right - 2 && box.left < b.right - 2 &&
        b.top < box.bottom - 2 && box.top < b.bottom - 2);
      if (onto) faint.push("upon a text: " + title.textContent + " and " + onto[0].textContent);
    }
    for (const text of chart.querySelectorAll("text")) {
      const style = getComputedStyle(text);
      const halo = style.paintOrder.startsWith("stroke") && parseFloat(style.strokeWidth) >= 3;
      const ratio = contrast(style.fill, halo ? style.stroke : paper);
      const box = text.getBoundingClientRect();
      const covers = (s) => s.left < box.right - 1 && box.left < s.right - 1 && s.top < box.bottom - 3 && box.top < s.bottom - 3;
      const upon = !halo && shapes.some(covers);
      if (ratio < 4.5 || upon) faint.push((upon ? "upon a shape: " : ratio.toFixed(1) + ": ") + text.textContent);
    }
  }
  return faint.slice(0, 5);
})()`;

/** Drives what the page's script adds, as a reader does: values by pointer and keyboard, order of rows, the replay. */
async function driven(tab) {
  if (!(await tab.evaluate("!!document.querySelector('script:not([type])') && !!document.querySelector('[data-tip]')"))) return null;
  const middle = (expression) => tab.evaluate(`(() => { const e = ${expression}; e.scrollIntoView({ block: "center" });
    const b = e.getBoundingClientRect(); return { x: b.left + b.width / 2, y: b.top + b.height / 2 }; })()`);
  const mouse = (type, at, more = {}) => tab.ask("Input.dispatchMouseEvent", { type, ...at, ...more });
  const click = async (expression) => {
    const at = await middle(expression);
    await mouse("mousePressed", at, { button: "left", clickCount: 1 });
    await mouse("mouseReleased", at, { button: "left", clickCount: 1 });
  };
  const key = async (name) => {
    for (const type of ["keyDown", "keyUp"]) await tab.ask("Input.dispatchKeyEvent", { type, key: name, code: name });
  };
  const tip = () => tab.evaluate("document.querySelector('.tip').textContent");
  const found = {};
  await mouse("mouseMoved", await middle("document.querySelector('[data-tip]')"));
  found.pointed = await tip();
  await tab.evaluate("document.querySelector('svg.chart[tabindex]').focus()");
  await key("ArrowRight");
  const first = await tip();
  await key("ArrowRight");
  found.stepped = first !== "" && (await tip()) !== first;
  await tab.evaluate("document.querySelectorAll('details').forEach((d) => (d.open = true))");
  const sorted = "[...document.querySelectorAll('button.sort')].at(-1).closest('table')";
  const names = `[...${sorted}.tBodies[0].rows].map((r) => r.cells[0].innerText).join()`;
  const before = await tab.evaluate(names);
  await click(`${sorted}.querySelector('button.sort')`);
  found.sorted = await tab.evaluate(`${sorted}.querySelector('th').getAttribute('aria-sort')`);
  const ascending = await tab.evaluate(names);
  await click(`${sorted}.querySelector('button.sort')`);
  found.reordered = new Set([before, ascending, await tab.evaluate(names)]).size > 1;
  await tab.evaluate("document.querySelectorAll('details').forEach((d) => (d.open = false))");
  if (await tab.evaluate("!!document.querySelector('#replay .player')")) {
    const readout = () => tab.evaluate("document.querySelector('.readout').innerText");
    const start = await readout();
    const play = "document.querySelector('.player .controls:nth-of-type(2) button')";
    await click(play);
    await new Promise((done) => setTimeout(done, 600));
    await click(play);
    found.played = (await readout()) !== start;
    found.paused = (await readout()) === (await readout());
    await tab.evaluate("document.querySelector('.replay').focus()");
    const still = await readout();
    await key("ArrowRight");
    found.stepsByKey = (await readout()) !== still;
    const lines = () => tab.evaluate("document.querySelector('.replay').innerHTML");
    const whole = await lines();
    await click("[...document.querySelectorAll('.player button')].find((b) => b.textContent === 'Zoom in')");
    found.zoomed = (await lines()) !== whole;
  }
  if (await tab.evaluate("!!document.querySelector('.player.maps')")) {
    const said = () => tab.evaluate("document.querySelector('.maps .readout').textContent");
    const choose = (n, value) => tab.evaluate(`(() => { const list = document.querySelectorAll('.maps select')[${n}];
      list.value = ${value}; list.dispatchEvent(new Event("input")); return list.selectedOptions[0].textContent; })()`);
    const outlined = () => tab.evaluate("document.querySelectorAll('.maps .differs').length");
    const chosen = await choose(0, 0);
    await choose(1, 0);
    const alike = (await said()).includes("the same in all") && (await outlined()) === 0;
    const others = await tab.evaluate("document.querySelectorAll('.maps select')[1].options.length");
    let differing = 0;
    for (let other = 1; other < others; other += 1) {
      const name = await choose(1, other);
      const words = await said();
      if (words.includes(chosen) && words.includes(name) && (await outlined()) > 0) differing += 1;
    }
    found.paired = alike && differing > 0;
    await tab.evaluate("document.querySelector('.maps svg').focus()");
    await key("ArrowRight");
    found.pairStepped = /^gear 1, .* to .*: (both |A )/.test(await tip());
  }
  return found;
}

/** Words that the page has without its script. */
async function wordsWithoutScript(pipe, url) {
  const tab = await Tab.open(pipe);
  await tab.width(1280);
  await tab.ask("Emulation.setScriptExecutionDisabled", { value: true });
  await tab.load(url);
  return tab.evaluate("(document.querySelector('main') ?? document.body).innerText.split(/\\s+/).length");
}

/** Elements that reach beyond the page's width though nothing around them scrolls or clips. */
const BEYOND = `[...document.body.querySelectorAll("*")].filter((e) => {
  if (e.closest(".scroll") || e.closest(".skip") || e.closest("svg") || !e.checkVisibility()) return false;
  return e.getBoundingClientRect().right > document.documentElement.clientWidth + 1;
}).slice(0, 5).map((e) => e.tagName + "." + e.className)`;

async function inspect(pipe, page) {
  const tab = await Tab.open(pipe);
  const url = pathToFileURL(resolve(page)).href;
  const name = join(out, basename(page, ".html"));
  const report = { page, widths: {}, accessibility: {} };
  await tab.width(1280);
  await tab.scheme("light");
  await tab.load(url);
  report.heading = await tab.evaluate("document.querySelector('h1').textContent");
  report.elements = await tab.evaluate("document.querySelectorAll('*').length");
  report.scripts = await tab.evaluate("document.querySelectorAll('script').length");
  for (const scheme of ["light", "dark"]) {
    await tab.scheme(scheme);
    await tab.width(1280);
    report.accessibility[scheme] = await accessibility(tab);
    report.accessibility[scheme].faint = await tab.evaluate(FAINT);
    report[`${scheme}Paper`] = await tab.evaluate("getComputedStyle(document.body).backgroundColor");
    await tab.picture(`${name}-${scheme}.png`);
  }
  await tab.scheme("light");
  // Whatever can be unfolded is, so that its width counts too.
  for (const unfolded of [false, true]) {
    await tab.evaluate(`document.querySelectorAll("details").forEach((d) => (d.open = ${unfolded}))`);
    for (const width of WIDTHS) {
      await tab.width(width);
      const measured = await tab.evaluate(
        `({ scroll: document.documentElement.scrollWidth, client: document.documentElement.clientWidth, beyond: ${BEYOND} })`);
      report.widths[`${width}${unfolded ? " unfolded" : ""}`] = measured;
      if (width === 360 && !unfolded) await tab.picture(`${name}-360.png`);
    }
  }
  await tab.evaluate("document.querySelectorAll('details').forEach((d) => (d.open = false))");
  await tab.width(1280);
  const { data } = await tab.ask("Page.printToPDF", { printBackground: true, preferCSSPageSize: true });
  const pdf = Buffer.from(data, "base64");
  writeFileSync(`${name}.pdf`, pdf);
  report.printedPages = (pdf.toString("latin1").match(/\/Type\s*\/Page[^s]/g) ?? []).length;
  report.printedBytes = pdf.length;
  report.driven = await driven(tab);
  report.words = await tab.evaluate("(document.querySelector('main') ?? document.body).innerText.split(/\\s+/).length");
  report.wordsWithoutScript = await wordsWithoutScript(pipe, url);
  report.complaints = tab.complaints;
  report.dialogs = tab.dialogs;
  report.requests = tab.requests.filter((request) => request !== url);
  return report;
}

/** Removes the browser's folder; its helpers may still write there, and what stays behind spoils no finding. */
function forget(profile) {
  try {
    rmSync(profile, { recursive: true, force: true, maxRetries: 10, retryDelay: 200 });
  } catch (error) {
    console.error(`${profile} stays behind: ${error.message}`);
  }
}

mkdirSync(out, { recursive: true });
const profile = mkdtempSync(join(tmpdir(), "report-browser-"));
const pipe = new Pipe(profile);
try {
  const reports = [];
  for (const page of pages) reports.push(await inspect(pipe, page));
  console.log(JSON.stringify(reports, null, 1));
} finally {
  await pipe.close();
  forget(profile);
}
