// What a live gate measures, while it happens: the turn period against time, and a few numbers beside it. Python sends
// only the points that are new; a page that opens later asks for all of them.

function render({ model, el }) {
  const undo = [], watch = watcher(model, undo);
  let times = [], periods = [], frame = 0;
  const canvas = make("canvas", { class: "live-canvas", role: "img", "aria-label": "Turn period against time, as it is measured" });
  const cells = make("div", { class: "live-numbers" });
  el.classList.add("kit-live");
  el.append(cells, canvas);
  const redraw = () => { frame ||= requestAnimationFrame(() => { frame = 0; drawLive(canvas, times, periods, model.get("nothing")); }); };
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
      const [newTimes, newPeriods] = halvesOf(buffers[0], Float64Array);
      times.push(...newTimes);
      periods.push(...newPeriods);
    }
    redraw();
  });
  watch("numbers", showNumbers);
  followPage([canvas], undo, redraw);
  undo.push(() => cancelAnimationFrame(frame));
  showNumbers();
  model.send({ ask: "all" });
  return () => undo.forEach((f) => f());
}

export default { render };
