// The page's numbers and its plotting library come as gzip in printable text: 13 bits in two characters.

async function unzip(id) {
  const text = document.getElementById(id).textContent.trim(), space = text.indexOf(" ");
  const bytes = new Uint8Array(Number(text.slice(0, space)));
  const value = (i) => { const c = text.charCodeAt(i); return c - (c > 60 ? 36 : 35); }; // from "#" on, without "<"
  for (let i = space + 1, n = 0, held = 0, bits = 0; n < bytes.length; i += 2) {
    held |= (91 * value(i) + value(i + 1)) << bits;
    for (bits += 13; bits >= 8; bits -= 8, held >>>= 8) bytes[n++] = held & 255; // past the end nothing is written
  }
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Response(stream).arrayBuffer();
}

// Runs as an inline script, so the page's policy checks it against its hash; or from the file that a fleet shares.
async function loadPlotting() {
  const script = document.createElement("script"), from = document.getElementById("plotting").dataset.from;
  if (from) {
    script.src = from;
    document.head.append(script);
    return new Promise((done, failed) => { script.onload = done; script.onerror = () => failed(new Error(from + " is not there")); });
  }
  script.textContent = new TextDecoder().decode(await unzip("plotting"));
  document.head.append(script);
  document.getElementById("plotting").remove();
}

function readPack(buffer) {
  const length = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  const base = 4 + length;
  function read(ref) {
    const at = base + ref.at;
    if (ref.as !== "q") return new Uint8Array(buffer, at, ref.n);
    const n = ref.n, out = new Float64Array(n), planes = new Uint8Array(buffer, at, ref.of * n);
    let steps = 0;
    for (let i = 0; i < n; i++) {
      const z = planes[i] | (ref.of > 1 ? planes[n + i] << 8 : 0) | (ref.of > 2 ? planes[2 * n + i] << 16 : 0);
      steps += z & 1 ? -(z + 1) / 2 : z / 2;
      out[i] = ref.base + steps * ref.step;
    }
    for (let i = 0; i < ref.empty.length; i += 2) out.fill(NaN, ref.empty[i], ref.empty[i + 1]);
    return out;
  }
  const walk = (value) => {
    if (Array.isArray(value)) return value.map(walk);
    if (value === null || typeof value !== "object") return value;
    if ("as" in value) return read(value);
    return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, walk(v)]));
  };
  return walk(header);
}
