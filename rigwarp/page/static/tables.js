// Several tables: a line each, the worst first. Nothing is done from here but opening a table's own page.
import {el, mm, sourceName} from "./dom.js";

export function tables(app) {
  const w = app.words;
  const list = el("ul", {class: "list tables"});
  let are = "";
  const words = one => ({
    silent: () => w.silent, off: () => w.off(mm(one.off_mm)), moved: () => w.moved_some, idle: () => w.nothing_plays, dark: () => w.is_dark,
    held: () => w.held(sourceName(one.source, w)), well: () => w.playing(sourceName(one.source, w), ""),
  })[one.state]();
  const row = one => el("li", {class: ["silent", "off", "moved"].includes(one.state) ? "warn" : ""}, el("div", {class: "row"},
    el("strong", {class: "name"}, one.name), el("span", {class: "name"}, words(one)),
    one.operate || one.view ? el("a", {class: "button", href: one.operate || one.view, "aria-label": `${w.open} ${one.name}`}, w.open) : null));
  const update = () => {
    if (are === JSON.stringify(app.tables)) return;
    are = JSON.stringify(app.tables);
    list.replaceChildren(...app.tables.map(row));
  };
  return {inside: [list], update};
}
