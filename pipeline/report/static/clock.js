// Times on the unit's own clock. Charts count seconds from the start of the log; the pack brings the offsets.

function makeClock(data) {
  const word = (key) => data.words[key];
  const months = word("calendar.months").split(" "), weekdays = word("calendar.weekdays").split(" ");
  const two = (n) => String(n).padStart(2, "0");

  function offsetAt(seconds) {
    let offset = data.offsets[0][1];
    for (const [from, value] of data.offsets) if (seconds >= from) offset = value;
    return offset;
  }
  function local(seconds) { return new Date(1000 * (data.start + seconds + offsetAt(seconds))); }
  // A log without dates begins in 2001: see `DAY_ONE` of wording.py.
  const counted = (d) => d.getUTCFullYear() === 2001 && d.getUTCMonth() < 3;
  function day(d) {
    if (counted(d)) return word("calendar.day").replace("{n}", Math.floor((d - Date.UTC(2001, 0, 1)) / 864e5) + 1);
    return d.getUTCDate() + " " + months[d.getUTCMonth()];
  }
  function moment(seconds, fine = true) {
    const d = local(seconds);
    const clock = two(d.getUTCHours()) + ":" + two(d.getUTCMinutes()) + (fine ? ":" + two(d.getUTCSeconds()) : "");
    return (counted(d) ? "" : weekdays[(d.getUTCDay() + 6) % 7] + " ") + day(d) + " " + clock;
  }
  function iso(seconds) {
    const offset = offsetAt(seconds), minutes = Math.abs(offset) / 60;
    const zone = (offset < 0 ? "-" : "+") + two(Math.floor(minutes / 60)) + ":" + two(minutes % 60);
    return new Date(1000 * Math.round(data.start + seconds + offset)).toISOString().slice(0, 19) + zone;
  }
  // Round figures of the local clock, about `most` of them between two moments.
  const steps = [1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 259200, 345600, 604800, 1209600];
  function ticks(from, to, most) {
    const step = steps.find((s) => (to - from) / s <= most) ?? steps.at(-1);
    const values = [], names = [];
    // A change of the clock inside the view shifts what follows: each tick is placed by the offset in force there.
    const zero = data.start + offsetAt(from);
    const week = step % 604800 === 0 ? 4 * 86400 : 0; // weeks begin on a Monday; 1 January 1970 was a Thursday
    let lastDay = "";
    for (let at = Math.ceil((from + zero - week) / step) * step + week; ; at += step) {
      let seconds = at - zero;
      seconds -= offsetAt(seconds) - offsetAt(from);
      if (seconds > to) break;
      if (seconds < from) continue;
      const d = local(seconds), name = day(d);
      let clock = two(d.getUTCHours()) + ":" + two(d.getUTCMinutes());
      if (step < 60) clock += ":" + two(d.getUTCSeconds());
      values.push(seconds);
      names.push(step >= 86400 ? name : name === lastDay ? clock : clock + "<br>" + name);
      lastDay = name;
    }
    return { values, names };
  }
  return { moment, iso, ticks, local, day };
}
