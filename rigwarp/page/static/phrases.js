// What jobs and the player say, in the page's language, by a table of sentences; what is not in it stays as it is.
const plain = text => text.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");
const shape = text => new RegExp(`^${text.split("{}").map(plain).join("(.*?)")}$`, "s");

/** A function that gives a text's translation, or null where there is none. `table`: pairs of sentences. */
export function translator(table) {
  const known = table.map(([from, to]) => [shape(from), to]);
  // numbers alone: addresses and names of files keep their points
  const figure = text => text.replace(/[\w./:@+-]+/g, word => /^[+-]?\d+\.\d+[.:]?$/.test(word) ? word.replace(".", ",") : word);
  const one = text => {
    for (const [from, to] of known) {
      const found = from.exec(text);
      if (found) return to.replace(/\{(\d)\}/g, (_, number) => one(found[number]) ?? figure(found[number]));
    }
    return null;
  };
  return text => {
    const parts = text.split("; "), told = one(text) ?? parts.map(one);
    if (typeof told === "string") return told;
    return told.includes(null) ? null : told.join("; ");
  };
}
