// The page beside the table: what is known, the line at the top, and which part is shown.
import {button, el, lasting, mm, say, set, sourceName} from "./dom.js";
import {Link, takeKey} from "./link.js";
import {calibrate} from "./calibrate.js";
import {correct} from "./correct.js";
import {camera, messages, results} from "./looking.js";
import {now} from "./now.js";
import {tables} from "./tables.js";
import {translator} from "./phrases.js";
import germanPhrases from "./phrases_de.js";
import english from "./words_en.js";
import german from "./words_de.js";

const LANGUAGES = {en: english, de: german};
const PHRASES = {de: translator(germanPhrases)};
const ALONE = {now, correct, calibrate, camera, results, messages};
const parts = () => app.tables ? {tables} : ALONE;
const STALE_S = 1;
const $ = id => document.getElementById(id);

/** Everything that the parts share. */
export const app = {
  words: english, hello: null, state: {playing: false}, job: {job: ""}, results: [], known: false, tables: null, messages: [], pictures: {}, plan: null,
  frozen: false, notice: "", stateAt: 0, age: 0, jobAt: 0,
  get operates() { return app.hello?.role === "operate"; },
  get usable() { return app.operates && link.up && !stale(); },
  get busy() { return Boolean(app.job.job) && app.job.job !== "camera"; },
  /** Ask the server; what it refuses is said in words. */
  async ask(message) {
    const answer = await link.ask(message);
    if (answer.refused) app.tell(app.words.answers[answer.refused] ?? (answer.refused === "changed" ? app.words.changed : answer.refused));
    return answer;
  },
  do: (name, ...values) => app.ask({do: name, values}),
  tell(text) {
    app.notice = text;
    clearTimeout(app.noticeTimer);
    app.noticeTimer = setTimeout(() => { app.notice = ""; refresh(); }, 8000);
    refresh();
  },
  tellServer: message => link.tell(message),
  /** Put a text of a job or of the player into an element, translated; what stays English says that it is. */
  say(element, text) {
    const translate = PHRASES[document.documentElement.lang], parts = translate && text ? translate(text) : [[text, true]];
    const told = parts.map(([one]) => one).join("; ");
    if (element.textContent === told && element.dataset.of === text) return element;
    element.dataset.of = text;
    element.replaceChildren(...parts.flatMap(([one, translated], i) => [i ? "; " : "", translated ? one : el("span", {lang: "en"}, one)]));
    return element;
  },
  /** How long the job has run, seconds. */
  jobSeconds: () => app.job.seconds + (performance.now() - app.jobAt) / 1000,
  current: () => app.results.find(one => one.current),
  go: part => { location.hash = part; },
};

const link = new Link({heard, pictured, turned: refresh});
let part = null;
let update = () => {};
let leave = () => {};
let wellSince = null;

function heard(message) {
  if (message.hello) {
    app.hello = message.hello;
    app.messages = [];
    chooseWords();
    start();
  } else if (message.state) {
    app.state = message.state;
    app.age = message.age_s;
    app.stateAt = performance.now();
  } else if (message.job) Object.assign(app, {job: message.job, jobAt: performance.now()});
  else if (message.results) Object.assign(app, {results: message.results, known: true});
  else if (message.tables) {
    const first = !app.tables;
    app.tables = message.tables;
    if (first) start();
  }
  else if (message.message) {
    app.messages = [...app.messages, {text: message.message, level: message.level, at: performance.now() - 1000 * message.age_s}].slice(-40);
  } else return;
  refresh();
}

function pictured(kind, blob) {
  const name = kind ? "camera" : "content";
  const before = app.pictures[name];
  app.pictures[name] = blob.size ? URL.createObjectURL(blob) : null;
  refresh();
  if (before) setTimeout(() => URL.revokeObjectURL(before), 2000);
}

const stateAge = () => app.age + (performance.now() - app.stateAt) / 1000;
const stale = () => app.state.playing !== false && stateAge() > STALE_S;

function chooseWords() {
  const wanted = [app.hello?.language, ...navigator.languages.map(tag => tag.slice(0, 2))];
  const code = wanted.find(tag => LANGUAGES[tag]) ?? "en";
  app.words = LANGUAGES[code];
  document.documentElement.lang = code;
}

/** What is wrong, in words; empty: nothing is. */
function complaint() {
  const w = app.words, one = app.current();
  if (!one) return "";
  const off = one.look_p95_mm ?? one.p95_mm;
  const list = one.look_findings.map(name => w.found[name] ?? name).join(", ");
  const told = [];
  if (list && one.look_advice !== "nothing") told.push(w.moved(list));
  if (off !== null && off > one.limit_mm) told.push(w.off(mm(off)));
  return told.join(". ");
}

/** How things are, in one line, and whether that is well. */
function line() {
  const w = app.words, s = app.state;
  if (!link.key || link.refused === "key") return [w.key_title, ""];
  if (!link.up) return [link.refused === "full" ? w.full : app.hello ? w.no_link : w.connecting, "wrong"];
  if (stale()) return [w.old(lasting(stateAge(), w)), "wrong"];
  if (app.busy) return [w.working(w.jobs[app.job.job][0]), ""];
  if (app.tables) {
    const wrong = app.tables.filter(one => one.state !== "well").length;
    return [wrong ? w.tables_wrong(wrong, app.tables.length) : w.tables_well, wrong ? "wrong" : "well"];
  }
  if (!s.playing) return [w.nothing_plays, ""];
  if (s.measuring) return [w.measuring, ""];
  if (s.dark) return [w.is_dark, ""];
  if (s.stands_in) return [s.stands_in === "code" ? w.code_shown : w.grid_shown, ""];
  if (s.before) return [w.before_shown, ""];
  if (complaint()) return [complaint(), "wrong"];
  if (!s.running) return [w.held(sourceName(s.source, w)), ""];
  return [w.playing(sourceName(s.source, w), lasting(s.run_s - (wellSince ?? s.run_s), w)), "well"];
}

function refresh() {
  const w = app.words, s = app.state;
  if (!complaint() && s.playing) wellSince = Math.min(wellSince ?? 0, s.run_s);
  else wellSince = s.playing ? s.run_s : null;
  const [text, kind] = line();
  say($("line"), text);
  set($("line"), "class", kind);
  const dark = $("dark");
  say(dark, s.dark ? w.make_light : w.make_dark);
  set(dark, "aria-pressed", Boolean(s.dark));
  dark.hidden = Boolean(app.tables);
  dark.disabled = !(app.operates && link.up && s.playing);
  const stop = $("stop");
  say(stop, w.stop);
  stop.hidden = !app.busy || part === "calibrate";  // there it stands beside what is being done
  stop.disabled = !app.operates || app.job.stopping;
  const call = complaint() && app.hello?.call ? ` ${w.call(app.hello.call)}` : "";
  say($("alarm"), app.notice || (link.up && complaint() ? `${complaint()}.${call}` : ""));
  $("main").classList.toggle("old", Boolean(app.hello) && (!link.up || stale()));
  if (link.refused === "key") askForKey(w.key_wrong);
  else if (app.hello) update();
}

function start() {
  const w = app.words;
  $("nav").replaceChildren(...Object.keys(parts()).map(name => el("a", {href: `#${name}`}, w[name])));
  set($("nav"), "aria-label", w.parts);
  $("foot").replaceChildren(el("p", {}, w.foot(app.hello.name, app.hello.version)), el("p", {}, app.operates ? w.screen : w.view_only));
  document.title = app.hello.name || "rigwarp";
  part = null;
  show(false);
}

function show(move = true) {
  if (!app.hello) return;
  const wanted = parts()[location.hash.slice(1)] ? location.hash.slice(1) : Object.keys(parts())[0];
  if (wanted === part) return;
  leave();
  part = wanted;
  app.plan = null;
  for (const one of $("nav").children) {
    if (one.getAttribute("href") === `#${part}`) one.setAttribute("aria-current", "page");
    else one.removeAttribute("aria-current");
  }
  const made = parts()[part](app);
  $("main").replaceChildren(el("h1", {}, app.words[part]), ...made.inside);
  update = made.update;
  leave = made.leave ?? (() => {});
  if (move) $("main").focus({preventScroll: true});
  if (move) scrollTo(0, 0);
  refresh();
}

function askForKey(why) {
  if ($("key")) return;
  const w = app.words;
  const field = el("input", {id: "key", type: "text", autocomplete: "off", spellcheck: false});
  const open = event => {
    event.preventDefault();
    const key = /([\w-]{20,})\s*$/.exec(field.value)?.[1];
    if (!key) return;
    sessionStorage.setItem("key", key);
    field.id = "";
    part = null;
    link.open(key);
  };
  $("nav").replaceChildren();
  $("main").replaceChildren(el("h1", {}, w.key_title), el("p", {}, why),
    el("form", {onsubmit: open, class: "card"}, el("label", {for: "key"}, w.key_label), el("p", {}, field), el("button", {type: "submit", class: "strong"}, w.key_open)));
}

$("dark").addEventListener("click", () => app.do("dark", app.state.dark ? 0 : 1));
$("stop").addEventListener("click", () => app.ask({job: "stop"}));
addEventListener("hashchange", () => {
  const key = /[#&]k=/.test(location.hash) && takeKey();
  if (key) link.open(key);
  else show();
});
setInterval(refresh, 500);
const key = takeKey();
chooseWords();
refresh();
if (key) link.open(key);
else askForKey(app.words.key_text);
