// What jobs and the player say, in the page's language, by a table of sentences; what is not in it stays as it is.
const plain = text => text.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");
const shape = text => new RegExp(`^${text.split("{}").map(plain).join("(.*?)")}$`, "s");

/**
 * A function that gives a text's parts, each with whether it is translated. `table`: pairs of sentences. Findings that are
 * strung together by semicolons are looked up one by one, also inside of a sentence.
 */
export function translator(table) {
  const known = table.map(([from, to]) => [shape(from), to]);
  // numbers alone: addresses and names of files keep their points
  const figure = text => text.replace(/[\w./:@+-]+/g, word => /^[+-]?\d+\.\d+[.:]?$/.test(word) ? word.replace(".", ",") : word);
  const whole = text => {
    for (const [from, to] of known) {
      const found = from.exec(text);
      if (found) return to.replace(/\{(\d)\}/g, (_, number) => inside(found[number]));
    }
    return null;
  };
  const parts = text => text.split("; ").map(one => [whole(one), one]);
  const inside = text => {
    const found = parts(text);
    if (found.every(([told]) => told !== null)) return found.map(([told]) => told).join("; ");
    return whole(text) ?? found.map(([told, one]) => told ?? figure(one)).join("; ");
  };
  return text => {
    const found = parts(text), all = found.some(([told]) => told === null) ? whole(text) : null;
    return all !== null ? [[all, true]] : found.map(([told, one]) => [told ?? one, told !== null]);
  };
}
