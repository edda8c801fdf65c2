// A gate log as a table to choose a row from. One row at a time is reached by Tab, the others by the arrow keys; Enter or a
// click chooses. Python keeps the clicks and says what stands beside them.

function render({ model, el }) {
  const undo = [], watch = watcher(model, undo), get = (name) => model.get(name);
  const table = make("table", { class: "kit-table eye-table" });
  const box = make("div", { class: "kit-scroll eye-scroll", role: "group", "aria-label": get("caption") }, table);
  el.classList.add("kit-eye");
  el.append(box);
  keepKeys(el, undo);
  let buttons = [], at = 0;

  const go = (i) => {
    if (!buttons.length) return;
    buttons[at]?.setAttribute("tabindex", -1);
    at = Math.min(Math.max(i, 0), buttons.length - 1);
    buttons[at].setAttribute("tabindex", 0);
    buttons[at].focus({ preventScroll: true });
    const row = buttons[at].closest("tr"); // scrolls the table alone, never the page
    if (row.offsetTop < box.scrollTop + 60) box.scrollTop = row.offsetTop - 60;
    if (row.offsetTop + row.offsetHeight > box.scrollTop + box.clientHeight) box.scrollTop = row.offsetTop + row.offsetHeight - box.clientHeight;
  };
  const pick = (i) => {
    at = i;
    buttons.forEach((button, k) => button.setAttribute("tabindex", k === i ? 0 : -1));
    model.send({ pick: get("rows")[i].pass });
  };

  const show = () => {
    const focused = table.contains(document.activeElement), scrolled = box.scrollTop;
    const marks = get("marks"), after = get("kit_after"), chosen = get("chosen");
    const heads = ["pass", "time (s)", "one turn took (s)", ...(after === null ? [] : ["who starts here"])];
    const body = make("tbody");
    buttons = [];
    get("rows").forEach(({ pass, time, period }, i) => {
      const button = make("button", { type: "button", class: "eye-row", tabindex: i === at ? 0 : -1, "aria-pressed": String(pass === chosen),
        "aria-label": `Pass ${pass}, at ${time} s, one turn took ${period} s. Start here`, onclick: (e) => { e.stopPropagation(); pick(i); },
        onfocus: () => { at = i; } }, String(pass));
      buttons.push(button);
      const mark = marks[String(pass)] ?? "";
      body.append(make("tr", { class: `${pass === chosen ? "eye-chosen" : ""} ${mark ? "kit-marked" : ""}`, onclick: () => { pick(i); button.focus({ preventScroll: true }); } },
        make("th", { scope: "row" }, button), make("td", {}, time), make("td", {}, period), ...(after === null ? [] : [make("td", {}, mark)])));
      if (pass === after) body.append(make("tr", { class: "eye-kit" }, make("td", { colspan: heads.length }, get("kit_words"))));
    });
    table.replaceChildren(make("caption", {}, get("caption")),
      make("thead", {}, make("tr", {}, ...heads.map((text) => make("th", { scope: "col" }, text)))), body);
    box.scrollTop = scrolled;
    if (focused) buttons[at]?.focus({ preventScroll: true });
  };

  const keys = (event) => {
    const step = { ArrowDown: 1, ArrowUp: -1, PageDown: 10, PageUp: -10, Home: -1e6, End: 1e6 }[event.key];
    if (step === undefined || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    go(at + step);
  };
  box.addEventListener("keydown", keys);
  watch("rows marks kit_after kit_words chosen caption", show);
  show();
  return () => undo.forEach((f) => f());
}

export default { render };
