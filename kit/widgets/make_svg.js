// The same as `make` for the elements of a drawing; without listeners.
function makeSvg(tag, attributes = {}, ...children) {
  const node = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) if (value != null) node.setAttribute(name, value);
  node.append(...children);
  return node;
}
