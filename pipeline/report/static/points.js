// The points of one channel in a view, as fine as the page holds them, and how they were come by.
// A level is lowest and highest reading of equal buckets; the page brings the finest, coarser ones are joined here. Where
// the finest is drawn, stretches that the page holds finer are put in their place: every reading, or narrower buckets.

const MOST_POINTS = 5000;
const FILLED = 900; // buckets that fill the width of a chart
const COARSEST = 1500, JOINED = 4;

function firstAfter(array, value) { // index of the first element >= value
  let low = 0, high = array.length;
  while (low < high) { const mid = low + high >> 1; if (array[mid] < value) low = mid + 1; else high = mid; }
  return low;
}

function makePoints(data) {
  const span = data.span;
  for (const channel of data.channels) {
    for (const window of channel.windows) window.time = timesOf(window);
    const levels = channel.levels = [channel.level ?? levelOf(channel.windows[0], JOINED * channel.interval)];
    while (levels.at(-1).low.length > COARSEST * JOINED) levels.push(joined(levels.at(-1)));
    let at = 0;
    const turns = (channel.turns ? data.turns : []).map(([from, to]) => {
      const n = Math.round((to - from) / channel.turns.width), part = (values) => values.subarray(at - n, at);
      at += n;
      return { from, to, buckets: { width: channel.turns.width, first: Math.round(from / channel.turns.width), low: part(channel.turns.low), over: part(channel.turns.over) } };
    });
    channel.pieces = [...turns, ...channel.windows.map((window) => ({ from: window.span[0], to: window.span[1], window }))].sort((a, b) => a.from - b.from);
  }

  function timesOf(window) {
    const times = new Float64Array(window.value.length);
    window.at.forEach((at, run) => {
      const stop = window.at[run + 1] ?? times.length;
      for (let i = at; i < stop; i++) times[i] = window.from[run] + (i - at) * window.every + (window.late?.[i] ?? 0);
    });
    return times;
  }
  function levelOf(window, width) {
    const n = Math.floor(span / width) + 1, low = new Float64Array(n).fill(NaN), over = new Float64Array(n).fill(NaN);
    for (let i = 0; i < window.value.length; i++) {
      const b = Math.min(Math.floor(window.time[i] / width), n - 1), v = window.value[i];
      if (Number.isNaN(low[b])) { low[b] = v; over[b] = 0; continue; }
      const high = Math.max(low[b] + over[b], v);
      low[b] = Math.min(low[b], v);
      over[b] = high - low[b];
    }
    return { width, low, over };
  }
  function joined(fine) {
    const n = Math.ceil(fine.low.length / JOINED), low = new Float64Array(n).fill(NaN), over = new Float64Array(n).fill(NaN);
    for (let b = 0; b < n; b++) {
      let least = Infinity, most = -Infinity;
      for (let i = b * JOINED; i < Math.min((b + 1) * JOINED, fine.low.length); i++) {
        if (fine.low[i] < least) least = fine.low[i];
        if (fine.low[i] + fine.over[i] > most) most = fine.low[i] + fine.over[i];
      }
      if (least <= most) { low[b] = least; over[b] = most - least; }
    }
    return { width: fine.width * JOINED, low, over };
  }

  const levelFor = (channel, width) => channel.levels.findLast((level) => width / level.width >= FILLED) ?? channel.levels[0];

  function fromBuckets(level, p, q, gap, x, y) {
    const w = level.width, shift = level.first ?? 0;
    const first = Math.max(0, Math.floor(p / w + 1e-6) - shift), last = Math.min(level.low.length, Math.ceil(q / w - 1e-6) - shift);
    let before = y.length ? y.at(-1) : NaN;
    for (let i = first; i < last; i++) {
      const low = level.low[i], over = level.over[i], t = (i + shift) * w;
      if (Number.isNaN(low)) continue;
      if (x.length && t - x.at(-1) > gap + w) { x.push(t); y.push(NaN); before = NaN; }
      if (over < 1e-9) { x.push(t + w / 2); y.push(low); before = low; continue; }
      // The nearer end first, so that the line does not zigzag more than the readings did.
      const rising = Number.isNaN(before) || Math.abs(before - low) <= Math.abs(before - low - over);
      x.push(t + 0.04 * w, t + 0.96 * w); // a steady rise or fall then has no steps
      y.push(rising ? low : low + over, rising ? low + over : low);
      before = y.at(-1);
    }
  }
  function fromReadings(window, p, q, gap, x, y) {
    const i = Math.max(0, firstAfter(window.time, p) - 1), j = Math.min(window.time.length, firstAfter(window.time, q) + 1);
    const room = Math.max(1, Math.ceil((j - i) / MOST_POINTS)), value = window.value;
    for (let k = i; k < j; k += room) {
      let low = k, high = k;
      for (let m = k + 1; m < Math.min(k + room, j); m++) {
        if (value[m] < value[low]) low = m;
        if (value[m] > value[high]) high = m;
      }
      for (const m of low === high ? [low] : low < high ? [low, high] : [high, low]) {
        if (x.length && window.time[m] - x.at(-1) > gap) { x.push(x.at(-1)); y.push(NaN); }
        x.push(window.time[m]); y.push(value[m]);
      }
    }
    return room;
  }

  // What is drawn of `channel` between two moments. width: of the widest buckets in it (0: every reading); finer: of
  // those around the harvests, if any are drawn; some: whether a stretch of it has every reading.
  function drawn(channel, from, to) {
    const room = (to - from) * 0.1, a = Math.max(0, from - room), b = Math.min(span, to + room);
    const level = levelFor(channel, b - a), gap = channel.gap, x = [], y = [];
    let at = a, width = 0, finer = 0, some = false;
    const pieces = level === channel.levels[0] ? channel.pieces.filter((piece) => piece.to > a && piece.from < b) : [];
    const rest = (until) => {
      if (until - at < 1e-6) return;
      fromBuckets(level, at, until, gap, x, y);
      if (until > from && at < to) width = Math.max(width, level.width);
    };
    for (const piece of pieces) {
      const p = Math.max(piece.from, a), q = Math.min(piece.to, b), seen = q > from && p < to;
      rest(p);
      if (piece.window) {
        const joined = fromReadings(piece.window, p, q, gap, x, y);
        if (seen && joined === 1) some = true;
        if (seen && joined > 1) width = Math.max(width, joined * channel.interval);
      } else {
        fromBuckets(piece.buckets, p, q, gap, x, y);
        if (seen) finer = piece.buckets.width;
      }
      at = Math.max(at, q);
    }
    rest(b);
    return { x, y, some, width: width || finer, finer: width ? finer : 0 };
  }

  // Lowest and highest reading at a moment, as fine as a view of `width` shows it.
  function readAt(channel, seconds, width) {
    let level = levelFor(channel, width);
    if (level === channel.levels[0]) {
      const piece = channel.pieces.find((each) => each.from <= seconds && seconds < each.to);
      if (piece?.window) {
        const { time, value } = piece.window, next = Math.min(firstAfter(time, seconds), time.length - 1);
        const i = next > 0 && seconds - time[next - 1] < time[next] - seconds ? next - 1 : next;
        const v = i >= 0 && Math.abs(time[i] - seconds) <= channel.gap ? value[i] : NaN;
        return [v, v];
      }
      level = piece?.buckets ?? level;
    }
    const b = Math.min(Math.floor(seconds / level.width) - (level.first ?? 0), level.low.length - 1);
    return [level.low[b], level.low[b] + level.over[b]];
  }

  return { drawn, readAt };
}
