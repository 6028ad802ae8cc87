// A board of sliders: the browser's own inputs with their labels, the sentences that a position says, and the drawings.
const OURS = { "data-lm-suppress-shortcuts": "true" };  // else JupyterLab takes arrow keys as shortcuts of its own

function make(tag, attributes, text) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  if (text !== undefined) node.textContent = text;
  return node;
}

function control(told, at, moved) {
  const id = `sk-${Math.random().toString(36).slice(2)}`;  // two boards may stand in one page
  const row = make("div", { class: "sk-control" });
  row.append(make("label", { for: id }, told.unit ? `${told.name}, ${told.unit}` : told.name));
  if (told.choice) {
    const list = make("select", { id, ...OURS });
    told.texts.forEach((text, k) => list.append(make("option", { value: k }, text)));
    list.value = at;
    list.addEventListener("change", () => moved(Number(list.value)));
    row.append(list);
    return row;
  }
  const input = make("input", { id, ...OURS, type: "range", min: 0, max: told.texts.length - 1, step: 1 });
  const output = make("span", { "aria-hidden": "true", class: "sk-value" });  // the slider itself says it aloud
  const say = (k) => {
    output.textContent = told.texts[k];
    input.setAttribute("aria-valuetext", told.unit ? `${told.texts[k]} ${told.unit}` : told.texts[k]);
  };
  input.value = at;
  say(at);
  input.addEventListener("input", () => {
    say(Number(input.value));
    moved(Number(input.value));
  });
  row.append(input, output);
  return row;
}

function render({ model, el }) {
  const board = make("div", { class: "sk-board", role: "group", "aria-label": model.get("name") });
  const controls = make("div", { class: "sk-controls" });
  const said = make("div", { class: "sk-said" });
  const first = make("p", { role: "status", "aria-live": "polite" });
  const more = make("div", {});
  const drawings = make("div", {});
  said.append(first, more, drawings);
  board.append(controls, said);
  el.replaceChildren(board);
  const still = document.getElementById(model.get("still"));
  if (still) still.hidden = true;

  const lay = () => {
    const at = model.get("at");
    controls.replaceChildren(...model.get("controls").map((told, k) => control(told, at[k], (to) => {
      const now = [...model.get("at")];
      now[k] = to;
      model.set("at", now);
      model.save_changes();
    })));
  };
  const tell = () => {
    const [head, ...rest] = model.get("sentences");
    first.textContent = head;
    more.replaceChildren(...rest.map((text) => make("p", {}, text)));
  };
  const draw = () => { drawings.innerHTML = model.get("drawings"); };
  lay();
  tell();
  draw();
  const again = () => { const row = document.activeElement?.closest(".sk-control"); const k = [...controls.children].indexOf(row);
    lay(); if (k >= 0) controls.children[k].querySelector("select, input").focus(); };
  model.on("change:controls", again);
  model.on("change:sentences", tell);
  model.on("change:drawings", draw);
}

export default { render };
