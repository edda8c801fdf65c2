// The bench seen from above, as layers of SVG one on the other: only one of them turns, by a CSS transform, so that a
// frame costs the browser next to nothing.

const VIEW = "-150 -130 300 260"; // the spindle stands at (0, 0), the middle of every layer
const FLAG_RADIUS = 110, MOST_DRAWN = 24;

const draw = makeSvg;
const disc = (r, cls) => draw("circle", { r, class: cls });
const bar = (x, y, width, height, cls, turned = 0, rx = 2) =>
  draw("rect", { x, y, width, height, rx, class: cls, transform: turned ? `rotate(${turned})` : null });
const ring = (r, width, cls) => draw("circle", { r, "stroke-width": width, fill: "none", class: cls });
// n angles in degrees, evenly spread, none of them at the gate (0°)
const around = (n) => Array.from({ length: n }, (_, i) => 180 / n + (360 / n) * i);
const shades = (id, ...stops) => draw("defs", {}, draw("radialGradient", { id, cx: "42%", cy: "36%", r: "75%" },
  ...stops.map(([offset, name]) => draw("stop", { offset, class: `bench-stop-${name}` }))));

// what was added, whatever it is: one mark each beside the rim, as the words below the drawing say
const added = (n) => around(n).map((a) => draw("circle", { cx: 116, r: 6, class: "bench-added", transform: `rotate(${a})` }));

// Each kind: what lies below, what turns (and its smear), what stands above. `n`: how many are drawn.
const KINDS = {
  disc: (n, id) => ({
    below: [shades(id, ["0%", "light"], ["60%", "metal"], ["100%", "dark"]), ring(124, 5, "bench-frame"),
      draw("circle", { r: 100, fill: `url(#${id})`, class: "bench-rim" }), ...[40, 62, 92].map((r) => ring(r, 0.7, "bench-groove"))],
    turning: [draw("circle", { cx: -52, r: 7, class: "bench-sticker" }), ...around(3).map((a) => bar(22, -0.8, 74, 1.6, "bench-line", a))],
    smear: [ring(52, 14, "bench-sticker-smear")],
    above: around(n).map((a) => draw("g", { transform: `rotate(${a})` }, bar(85, -2.5, 38, 5, "bench-frame-arm"),
      draw("circle", { cx: 85, r: 9.5, class: "bench-magnet" }), draw("path", { d: "M85-9.5A9.5 9.5 0 0 1 85 9.5Z", class: "bench-magnet-pole" }))),
  }),
  turntable: (n, id) => ({
    below: [shades(id, ["0%", "platter-light"], ["100%", "platter"]), ring(124, 5, "bench-frame"),
      draw("circle", { r: 100, fill: `url(#${id})`, class: "bench-rim" }), ...[34, 44, 54, 64, 74, 84, 94].map((r) => ring(r, 0.8, "bench-groove"))],
    turning: [draw("circle", { cx: -40, r: 7, class: "bench-sticker" }), ...around(12).map((a) => bar(94, -1.6, 5, 3.2, "bench-dot", a))],
    smear: [ring(40, 14, "bench-sticker-smear"), ring(96.5, 3, "bench-dot-smear")],
    above: around(n).map((a) => draw("g", { transform: `rotate(${a})` },
      draw("path", { d: "M86 0l3-5 6 10 6-10 6 10 6-10 6 10 3-5", class: "bench-spring" }), bar(62, -10, 24, 20, "bench-pad", 0, 4), bar(62, -10, 6, 20, "bench-pad-face", 0, 3))),
  }),
  vanes: (n, id) => ({
    below: [shades(id, ["0%", "light"], ["60%", "metal"], ["100%", "dark"]), ring(124, 5, "bench-frame")],
    turning: [...around(n).flatMap((a) => [bar(0, -1.5, 84, 3, "bench-arm", a), bar(62, -4, 44, 8, "bench-vane", a, 1.5)]),
      bar(0, -1, FLAG_RADIUS, 2, "bench-arm"), draw("circle", { r: 26, fill: `url(#${id})`, class: "bench-rim" }),
      draw("circle", { cx: -16, r: 4, class: "bench-sticker" })],
    smear: [draw("circle", { r: 26, class: "bench-hub-disc" }), ...(n ? [ring(84, 44, "bench-vane-smear")] : [])],
    above: [],
  }),
  wheel: (n, id) => ({
    below: [shades(id, ["0%", "light"], ["60%", "metal"], ["100%", "dark"])],
    turning: [ring(94, 12, "bench-tyre"), ...around(8).map((a) => bar(10, -1.2, 78, 2.4, "bench-arm", a)),
      draw("circle", { cx: -52, r: 6, class: "bench-sticker" }), draw("circle", { r: 20, fill: `url(#${id})`, class: "bench-rim" })],
    smear: [ring(94, 12, "bench-tyre"), ring(52, 12, "bench-sticker-smear")],
    above: added(n),
  }),
  rotor: (n, id) => ({
    below: [shades(id, ["0%", "light"], ["60%", "metal"], ["100%", "dark"]), ring(124, 5, "bench-frame")],
    turning: [...around(4).map((a) => bar(0, -3, 96, 6, "bench-arm", a)), draw("circle", { r: 26, fill: `url(#${id})`, class: "bench-rim" }),
      draw("circle", { cx: -16, r: 4, class: "bench-sticker" })],
    smear: [draw("circle", { r: 26, class: "bench-hub-disc" })],
    above: added(n),
  }),
  plain: (n, id) => ({
    below: [shades(id, ["0%", "light"], ["60%", "metal"], ["100%", "dark"]), draw("circle", { r: 100, fill: `url(#${id})`, class: "bench-rim" })],
    turning: [draw("circle", { cx: -52, r: 7, class: "bench-sticker" }), ...around(3).map((a) => bar(22, -0.8, 74, 1.6, "bench-line", a))],
    smear: [ring(52, 14, "bench-sticker-smear")],
    above: added(n),
  }),
};

// The stage: `root` to put on the page and what changes on it. `show(spin or setting)` draws another condition.
function makeStage(kind, label = "", controls = ["tilt", "hub"], counted = true) {
  const layer = (name) => draw("svg", { viewBox: VIEW, class: `bench-layer bench-${name}`, "aria-hidden": "true" });
  const below = layer("below"), smear = layer("smear"), rotor = layer("rotor"), above = layer("above"), front = layer("front");
  const id = `bench-${Math.random().toString(36).slice(2)}`;
  const lamp = draw("g", { class: "bench-lamp" }, draw("circle", { cx: 133, cy: -27, r: 10, class: "bench-halo" }), draw("circle", { cx: 133, cy: -27, r: 5.5, class: "bench-bulb" }));
  const bubble = draw("circle", { cy: 108, r: 4.5, class: "bench-bubble" });
  const hub = draw("g", {}, disc(13, "bench-hub"), disc(4, "bench-spindle"));
  const hand = draw("path", { d: "M-86-86A122 122 0 0 1 0-122l-5-6m5 6l-8 3", class: "bench-hand" });
  const words = draw("text", { x: -146, y: 126, class: "bench-words" });
  const vial = [draw("rect", { x: -148, y: 99, width: 46, height: 18, rx: 9, class: "bench-vial" }), bubble,
    ...[-132, -118].map((x) => draw("line", { x1: x, x2: x, y1: 100, y2: 116, class: "bench-mark" }))];
  front.append(
    hub, hand, words,
    bar(102, -9, 46, 5, "bench-gate", 0, 2), bar(102, 4, 46, 5, "bench-gate", 0, 2), bar(120, -18, 28, 36, "bench-gate", 0, 5), // the gate
    draw("line", { x1: 108, x2: 108, y1: -4, y2: 4, class: "bench-beam" }), lamp,
    ...(controls.includes("tilt") ? vial : []),
  );
  const root = make("div", { class: "bench-stage" }, below, smear, rotor, above, front);
  let drawn = "";
  return {
    root, rotor,
    show({ value, tilt_deg, dry_hub }) {
      const n = counted ? Math.min(Math.round(value), MOST_DRAWN) : 0;
      if (drawn !== String(n)) {
        const parts = KINDS[kind](n, id);
        below.replaceChildren(...parts.below);
        smear.replaceChildren(...parts.smear, ring(FLAG_RADIUS - 2.5, 19, "bench-flag-smear"));
        rotor.replaceChildren(...parts.turning, bar(FLAG_RADIUS - 12, -2.2, 19, 4.4, "bench-flag", 0, 1));
        above.replaceChildren(...parts.above);
        drawn = String(n);
      }
      bubble.setAttribute("cx", -125 + 3.4 * tilt_deg);
      words.textContent = label && `${label}: ${value}`;
      hub.setAttribute("class", dry_hub ? "bench-dry" : "bench-greased");
    },
    turn(angle, smeared) { // in turns; the flag is in the beam at whole ones
      rotor.style.transform = `rotate(${((angle % 1) * 360).toFixed(2)}deg)`;
      rotor.style.opacity = (1 - smeared).toFixed(3);
      smear.style.opacity = smeared.toFixed(3);
    },
    light: (on) => lamp.classList.toggle("bench-lit", on),
    push: (on) => hand.classList.toggle("bench-pushing", on),
  };
}
