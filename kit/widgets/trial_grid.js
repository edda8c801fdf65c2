// All trials of a lesson as one table: a row a condition, a button a trial. Python decides what the cells say.
function make(tag, text = "", attributes = {}) {
  const element = document.createElement(tag);
  element.textContent = text;
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}

function render({ model, el }) {
  const scroll = make("div", "", { class: "kit-scroll" });
  const table = make("table", "", { class: "kit-table kit-grid" });
  scroll.append(table);
  el.append(scroll);

  const cellOf = (trial) => {
    const cell = make("td");
    if (trial === null) return cell;
    if (trial.row === null) {
      cell.append(make("span", trial.text, { class: "kit-unmeasured", title: trial.words }));
      return cell;
    }
    const chosen = model.get("selected") === trial.row;
    const button = make("button", trial.text, {
      type: "button",
      class: `kit-trial${trial.aside ? " kit-aside" : ""}`,
      "aria-label": trial.words,
      "aria-pressed": chosen,
      "data-row": trial.row,
      title: trial.words,
    });
    button.addEventListener("click", () => {
      model.set("selected", model.get("selected") === trial.row ? null : trial.row);
      model.save_changes();
    });
    cell.append(button);
    return cell;
  };

  const show = () => {
    const focused = table.contains(document.activeElement) ? document.activeElement.dataset.row : undefined;
    table.replaceChildren();
    table.append(make("caption", model.get("caption")));
    const head = table.createTHead().insertRow();
    for (const name of model.get("columns")) head.append(make("th", name, { scope: "col" }));
    const body = table.createTBody();
    for (const { condition, trials, figures } of model.get("rows")) {
      const row = body.insertRow();
      row.append(make("th", condition, { scope: "row" }), ...trials.map(cellOf));
      row.append(...figures.map((text) => make("td", text, { class: "kit-figure" })));
    }
    if (focused !== undefined) table.querySelector(`[data-row="${focused}"]`)?.focus();
  };
  const mark = () => {
    for (const button of table.querySelectorAll("button"))
      button.setAttribute("aria-pressed", Number(button.dataset.row) === model.get("selected"));
  };
  for (const name of ["caption", "columns", "rows"]) model.on(`change:${name}`, show);
  model.on("change:selected", mark);
  show();
}

export default { render };
