// A summary to unfold. New content goes into the same element, so that it stays open while the plot above changes.
function render({ model, el }) {
  const details = make("details", { class: "kit-details" });
  const summary = make("summary");
  const content = make("div", { class: "kit-details-content" });
  details.append(summary, content);
  const show = () => {
    summary.textContent = model.get("summary");
    content.replaceChildren(...model.get("paragraphs").map((text) => make("p", {}, unbroken(text))));
    if (!model.get("columns").length) return;
    const table = make("table", { class: "kit-table" });
    const head = table.createTHead().insertRow();
    for (const name of model.get("columns")) head.append(make("th", { scope: "col" }, name));
    const body = table.createTBody();
    for (const [first, ...rest] of model.get("rows")) {
      const row = body.insertRow();
      row.append(make("th", { scope: "row" }, first), ...rest.map((cell) => make("td", {}, cell)));
    }
    content.append(make("div", { class: "kit-scroll", tabindex: 0, role: "group", "aria-label": "Table" }, table));
  };
  // A plot above takes the first paragraph as its name for screen readers. It may come onto the page later than this.
  let waiting = 0;
  const nameFigure = () => {
    cancelAnimationFrame(waiting);
    const plot = el.closest(".kit-plot"), figure = plot?.querySelector(".widget-output");
    if (plot ? !figure : !el.isConnected) waiting = requestAnimationFrame(nameFigure);
    figure?.setAttribute("role", "figure");
    figure?.setAttribute("aria-label", model.get("paragraphs")[0] ?? "");
  };
  model.on("change:paragraphs", nameFigure);
  for (const name of ["summary", "paragraphs", "columns", "rows"]) model.on(`change:${name}`, show);
  el.append(details);
  show();
  nameFigure();
  return () => cancelAnimationFrame(waiting);
}

export default { render };
