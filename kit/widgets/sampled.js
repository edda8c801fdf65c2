// From samples of a beam to the moments at which the flag blocks it: the function of kit/logs/sampled.py, for the page.

const middleOf = (sorted) => (sorted.length % 2 ? sorted[(sorted.length - 1) / 2] : (sorted[sorted.length / 2 - 1] + sorted[sorted.length / 2]) / 2);
const inOrder = (values) => Float64Array.from(values).sort();
const medianOf = (values) => middleOf(inOrder(values));
function quantileOf(sorted, q) {
  const at = q * (sorted.length - 1), low = Math.floor(at);
  return sorted[low] + (at - low) * ((sorted[low + 1] ?? sorted[low]) - sorted[low]);
}

// The two levels of a wide field's brightness, and its noise; null where there are none. A sorted copy gives medians.
function twoLevels(values) {
  const sorted = inOrder(values);
  let low = quantileOf(sorted, 0.005), high = quantileOf(sorted, 0.995);
  if (low === high) [low, high] = [sorted[0], sorted.at(-1)];
  const cut = () => { // how many lie at or below the middle
    let n = 0;
    while (n < sorted.length && sorted[n] <= (low + high) / 2) n++;
    return n;
  };
  for (let round = 0; round < 50; round++) {
    const n = cut();
    if (n < 3 || sorted.length - n < 3) break;
    const found = [middleOf(sorted.subarray(0, n)), middleOf(sorted.subarray(n))];
    if (found[0] === low && found[1] === high) break;
    [low, high] = found;
  }
  const n = cut(), bend = [];
  for (let i = 1; i + 1 < values.length; i++) bend.push(Math.abs(values[i - 1] - 2 * values[i] + values[i + 1]));
  const noise = (1.4826 * medianOf(bend)) / Math.sqrt(6), quarter = (high - low) / 4;
  const between = values.filter((v) => v > low + quarter && v < high - quarter).length / values.length;
  if (Math.min(n, sorted.length - n) < 3 || high - low <= 5 * noise || between >= 0.5) return null;
  return { low, high, noise };
}

// { passes, low, high, threshold, blocked, share, step, fastest } as `passes_from_samples(…, ramps=True)` finds them; null
// while there are no two clear levels.
function passesFromSamples(times, values) {
  const n = times.length, levels = n < 8 ? null : twoLevels(values);
  if (!levels) return null;
  const { low, high, noise } = levels, threshold = (low + high) / 2, apart = high - low;
  const hysteresis = Math.min(Math.max(3 * noise, apart / 10), apart / 4);
  const sure = values.map((v) => (v > threshold + hysteresis ? 1 : v < threshold - hysteresis ? -1 : 0));
  const isHigh = [];
  let state = sure.find((s) => s !== 0), spent = 0;
  for (const s of sure) {
    if (s) state = s;
    isHigh.push(state > 0);
  }
  for (let i = 0; i + 1 < n; i++) if (isHigh[i]) spent += times[i + 1] - times[i];
  const blocked = spent / (times[n - 1] - times[0]) < 0.4 ? "high" : "low";
  const isBlocked = isHigh.map((h) => h === (blocked === "high"));
  const passes = [], at = [], shares = [], dark = [0];
  for (let i = 0; i + 1 < n; i++) dark.push(dark[i] + (isBlocked[i] ? times[i + 1] - times[i] : 0));
  for (let i = 1; i < n; i++) {
    if (isBlocked[i - 1] || !isBlocked[i]) continue;
    let clear = i;
    while (clear > 0 && values[clear] > threshold === (blocked === "high")) clear--;
    const here = values[clear], there = values[clear + 1];
    passes.push(times[clear] + ((threshold - here) / (there === here ? 1 : there - here)) * (times[clear + 1] - times[clear]));
    at.push(i);
  }
  for (let k = 1; k < at.length; k++) shares.push((dark[at[k]] - dark[at[k - 1]]) / (times[at[k]] - times[at[k - 1]]));
  const share = shares.length ? medianOf(shares) : 0.5, step = medianOf(times.slice(1).map((t, i) => t - times[i]));
  return { passes, low, high, threshold, blocked, share, step, fastest: Math.min(share, 1 - share) / (2 * step) };
}
