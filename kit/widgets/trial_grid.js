// All trials of a lesson as one table: a row a condition, a button a trial. Python decides what the cells say.
function render({ model, el }) {
  const table = make("table", { class: "kit-table kit-grid" });
  el.append(make("div", { class: "kit-scroll" }, table));

  const cellOf = (trial) => {
    const cell = make("td");
    if (trial === null) return cell;
    if (trial.row === null) {
      cell.append(make("span", { class: "kit-unmeasured", title: trial.words }, trial.text));
      return cell;
    }
    const chosen = model.get("selected") === trial.row;
    cell.append(make("button", {
      type: "button",
      class: `kit-trial${trial.aside ? " kit-aside" : ""}`,
      "aria-label": trial.words,
      "aria-pressed": String(chosen),
      "data-row": trial.row,
      title: trial.words,
      onclick: () => {
        model.set("selected", model.get("selected") === trial.row ? null : trial.row);
        model.save_changes();
      },
    }, trial.text));
    return cell;
  };

  const show = () => {
    const focused = table.contains(document.activeElement) ? document.activeElement.dataset.row : undefined;
    table.replaceChildren();
    table.append(make("caption", {}, model.get("caption")));
    const head = table.createTHead().insertRow();
    for (const name of model.get("columns")) head.append(make("th", { scope: "col" }, name));
    const body = table.createTBody();
    for (const { condition, trials, figures } of model.get("rows")) {
      const row = body.insertRow();
      row.append(make("th", { scope: "row" }, condition), ...trials.map(cellOf));
      row.append(...figures.map((text) => make("td", { class: "kit-figure" }, text)));
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
