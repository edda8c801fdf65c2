// What a live gate measures, while it happens: the turn period against time, and a few numbers beside it. Python sends
// only the points that are new; a page that opens later asks for all of them.

function render({ model, el }) {
  const undo = [];
  const watch = (name, f) => {
    model.on(name, f);
    undo.push(() => model.off(name, f));
  };
  let times = [], periods = [], frame = 0;
  const canvas = make("canvas", { class: "live-canvas", role: "img", "aria-label": "Turn period against time, as it is measured" });
  const cells = make("div", { class: "live-numbers" });
  el.classList.add("kit-live");
  el.append(cells, canvas);
  const redraw = () => { frame ||= requestAnimationFrame(() => { frame = 0; drawLive(canvas, times, periods, "Nothing has passed the gate yet."); }); };
  const showNumbers = () => {
    cells.replaceChildren(...model.get("numbers").map(([name, value]) =>
      make("div", { class: "live-number" }, make("small", {}, name), make("strong", {}, value))));
    const said = model.get("numbers").map(([name, value]) => `${name}: ${value}`).join(", ");
    canvas.setAttribute("aria-label", `Turn period against time, as it is measured. ${said}`);
  };
  watch("msg:custom", (message, buffers) => {
    if (message.from === 0) [times, periods] = [[], []];
    if (message.from !== times.length) return message.from > times.length ? model.send({ ask: "all" }) : undefined;
    if (buffers.length) {
      const view = buffers[0], all = new Float64Array(view.buffer.slice(view.byteOffset, view.byteOffset + view.byteLength));
      times.push(...all.subarray(0, all.length / 2));
      periods.push(...all.subarray(all.length / 2));
    }
    redraw();
  });
  watch("change:numbers", showNumbers);
  const sizes = new ResizeObserver(redraw);
  sizes.observe(canvas);
  let late = 0; // JupyterLab hides the page for a moment while it changes its theme: nothing can be drawn then
  const theme = new MutationObserver(() => { redraw(); clearTimeout(late); late = setTimeout(redraw, 300); });
  theme.observe(document.body, { attributes: true, attributeFilter: ["data-jp-theme-light", "class"] });
  undo.push(() => sizes.disconnect(), () => theme.disconnect(), () => clearTimeout(late), () => cancelAnimationFrame(frame));
  showNumbers();
  model.send({ ask: "all" });
  return () => undo.forEach((f) => f());
}

export default { render };
