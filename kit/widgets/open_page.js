// Opens a notebook in a new tab: its way from the notebook that is open now becomes an address of the same server.
function render({ model, el }) {
  const open = () => {
    const [path] = model.get("page").split("|");
    if (path) window.open(new URL(path, location.href.replace(/[?#].*$/, "")).href, "_blank", "noopener");
  };
  model.on("change:page", open);
  el.hidden = true;
}

export default { render };
