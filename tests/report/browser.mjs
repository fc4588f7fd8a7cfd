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

/** Findings of axe-core that are serious or worse, with the first places of each. */
async function accessibility(tab) {
  const found = await tab.evaluate(`${AXE};axe.run(document, { resultTypes: ["violations"] }).then((r) =>
    r.violations.filter((v) => ["serious", "critical"].includes(v.impact)).map((v) =>
      v.id + ": " + v.help + " (" + v.nodes.length + "): " +
      v.nodes.slice(0, 3).map((n) => n.target.join(" ") + " " + (n.any[0]?.message ?? "")).join("; ")))`);
  const tested = await tab.evaluate("axe.version");
  return { found, tested };
}

/** Elements that reach beyond the page's width though nothing around them scrolls or clips. */
const BEYOND = `[...document.body.querySelectorAll("*")].filter((e) => {
  if (e.closest(".scroll") || e.closest(".skip") || e.closest("svg")) return false;
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
