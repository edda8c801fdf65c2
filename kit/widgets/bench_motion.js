// The bench's motion, from the samples Python sent: pure functions of the time since the push.

// Angle (turns) and speed (turns/s) at a time since the push began. While coasting: the cubic between two samples that
// matches angle and speed at both.
function motionAt(spin, time) {
  const { push_s, push_turns, end_s, angles, speeds } = spin;
  if (time < push_s) {
    const share = Math.max(time, 0) / push_s;
    return { angle: share * share * push_turns, speed: (2 * share * push_turns) / push_s };
  }
  const h = (end_s - push_s) / (angles.length - 1);
  const i = Math.min(Math.floor((time - push_s) / h), angles.length - 2);
  const u = Math.min((time - push_s) / h - i, 1), v = 1 - u;
  const [a, b, va, vb] = [angles[i], angles[i + 1], speeds[i] * h, speeds[i + 1] * h];
  return {
    angle: v * v * (1 + 2 * u) * a + u * u * (1 + 2 * v) * b + u * v * (v * va - u * vb),
    speed: Math.max(0, v * speeds[i] + u * speeds[i + 1]),
  };
}

// How many of the sorted times lie at or before a time.
function countUntil(times, time) {
  let low = 0, high = times.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] <= time) low = middle + 1;
    else high = middle;
  }
  return low;
}

// How much of the moving marks is shown as a smear, 0 to 1: what would flicker past faster than an eye can follow, or
// seem to stand still between two frames, is not drawn sharp. `shown`: turns a second on the screen.
const smearOf = (shown) => Math.min(1, Math.max(0, (shown - 1.5) / 4.5));

// The lamp. It comes on at a pass, but never more than twice a second: nothing on the page may flash faster (WCAG 2.3.1
// allows three). While passes come faster than that, it stays on. Times in ms on the clock of the screen.
const LAMP_REST = 500, LAMP_BLINK = 160;
function makeLamp() {
  let came_on = -Infinity, last = -Infinity, until = -Infinity;
  return {
    pass(now) {
      const quick = now - last < LAMP_REST;
      last = now;
      if (now < until) until = Math.max(until, now + (quick ? LAMP_REST + 60 : LAMP_BLINK)); // stays on
      else if (now - came_on >= LAMP_REST) [came_on, until] = [now, now + (quick ? LAMP_REST + 60 : LAMP_BLINK)];
    },
    lit: (now) => now < until,
    off() { until = -Infinity; },
  };
}
