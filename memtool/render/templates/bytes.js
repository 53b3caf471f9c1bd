"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const data = JSON.parse(byId("data").textContent);
  const view = byId("bytes"), height = byId("height"), rowsBox = byId("rows");
  const TALLEST = 8000000; // Browsers lose count of much taller boxes.
  const MOST_HITS = 10000;

  // Images: segments of bytes, by address.
  const images = data.images.map((image) => ({
    label: image.label,
    segments: image.segments.map(([start, text]) => {
      const raw = atob(text);
      const bytes = new Uint8Array(raw.length);
      for (let place = 0; place < raw.length; place += 1) bytes[place] = raw.charCodeAt(place);
      return { start, end: start + bytes.length, bytes };
    }),
  }));

  // Spans: sorted, disjoint [start, end) pairs.
  const join = (spans) => {
    const sorted = spans.slice().sort((a, b) => a[0] - b[0]);
    const joined = [];
    for (const [start, end] of sorted) {
      const last = joined[joined.length - 1];
      if (last && start <= last[1]) last[1] = Math.max(last[1], end);
      else joined.push([start, end]);
    }
    return joined;
  };
  const firstEndingAfter = (spans, address) => {
    let low = 0, high = spans.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (spans[middle][1] <= address) low = middle + 1; else high = middle;
    }
    return low;
  };
  const holds = (spans, address) => {
    const found = spans[firstEndingAfter(spans, address)];
    return found !== undefined && found[0] <= address;
  };
  const overlaps = (spans, start, end) => {
    const found = spans[firstEndingAfter(spans, start)];
    return found !== undefined && found[0] < end;
  };

  const hidden = join(data.hidden);
  const defined = join(images.flatMap((image) => image.segments.map((part) => [part.start, part.end])));
  const byteAt = (image, address) => {
    for (const part of image.segments) {
      if (address < part.start) return -1;
      if (address < part.end) return part.bytes[address - part.start];
    }
    return -1;
  };
  const partsOf = (image) => image.segments.map((part) => [part.start, part.end]);

  const differences = () => {
    const found = data.marked.map((span) => span.slice());
    const [first, ...others] = images;
    for (const other of others) {
      for (const a of first.segments) {
        for (const b of other.segments) {
          const start = Math.max(a.start, b.start), end = Math.min(a.end, b.end);
          let from = -1;
          for (let at = start; at < end; at += 1) {
            const unlike = a.bytes[at - a.start] !== b.bytes[at - b.start];
            if (unlike && from < 0) from = at;
            if (!unlike && from >= 0) { found.push([from, at]); from = -1; }
          }
          if (from >= 0) found.push([from, end]);
        }
      }
      found.push(...without(partsOf(first), join(partsOf(other))));
      found.push(...without(partsOf(other), join(partsOf(first))));
    }
    return join(found);
  };
  const without = (spans, taken) => {
    const left = [];
    for (const [begin, end] of spans) {
      let start = begin;
      for (let place = firstEndingAfter(taken, start); place < taken.length && taken[place][0] < end; place += 1) {
        if (taken[place][0] > start) left.push([start, taken[place][0]]);
        start = Math.max(start, taken[place][1]);
      }
      if (start < end) left.push([start, end]);
    }
    return left;
  };
  const marked = differences();
  const regionSpans = data.regions.map(([start, end]) => [start, end]);
  const identity = join([
    ...data.identity,
    ...data.regions.filter((region) => region[3] === "vehicle-identity").map(([start, end]) => [start, end]),
  ]);
  const regionAt = (address) => {
    const place = firstEndingAfter(regionSpans, address);
    return place < regionSpans.length && regionSpans[place][0] <= address ? data.regions[place] : null;
  };

  // Rows: first addresses of the rows that the filter shows.
  let perRow = 16, rowHeight = 40, rows = [], shown = defined, picked = -1, hits = [], wantedLength = 0;
  const listRows = (spans) => {
    const found = [];
    for (const [start, end] of spans) {
      let row = Math.floor(start / perRow);
      if (found.length && row <= found[found.length - 1]) row = found[found.length - 1] + 1;
      for (; row * perRow < end; row += 1) found.push(row);
    }
    return found;
  };
  const rowOf = (address) => {
    const wanted = Math.floor(address / perRow);
    let low = 0, high = rows.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (rows[middle] < wanted) low = middle + 1; else high = middle;
    }
    return rows[low] === wanted ? low : -1;
  };

  // A box that is too tall is scrolled in proportion.
  const fullHeight = () => rows.length * rowHeight;
  const boxHeight = () => Math.min(fullHeight(), TALLEST);
  const topRow = () => {
    if (fullHeight() <= TALLEST) return view.scrollTop / rowHeight;
    const share = view.scrollTop / Math.max(1, TALLEST - view.clientHeight);
    return share * (rows.length - view.clientHeight / rowHeight);
  };
  const scrollToRow = (row) => {
    const visible = view.clientHeight / rowHeight;
    const top = Math.max(0, Math.min(row - visible / 3, rows.length - visible));
    view.scrollTop = fullHeight() <= TALLEST
      ? top * rowHeight
      : (top / (rows.length - visible)) * (TALLEST - view.clientHeight);
  };

  const hex = (value, digits) => value.toString(16).toUpperCase().padStart(digits, "0");
  const addressWords = (address) => "0x" + hex(address, 4);
  const element = (name, role, text) => {
    const made = document.createElement(name);
    if (role) made.className = role;
    if (text !== undefined) made.textContent = text;
    return made;
  };
  const isHit = (address) => {
    let low = 0, high = hits.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (hits[middle].start + wantedLength <= address) low = middle + 1; else high = middle;
    }
    for (; low < hits.length && hits[low].start <= address; low += 1) return hits[low];
    return null;
  };
  const cellOf = (image, address) => {
    const value = byteAt(image, address);
    const cell = element("div", "cell");
    cell.dataset.at = address;
    const closed = value >= 0 && holds(hidden, address);
    cell.append(value < 0 ? "" : closed ? "··" : hex(value, 2));
    const readable = !closed && value >= 0x20 && value < 0x7f ? String.fromCharCode(value) : "";
    cell.append(element("span", "", readable));
    if (holds(marked, address)) cell.classList.add("mark");
    const hit = hits.length ? isHit(address) : null;
    if (hit && hit.images.has(image)) cell.classList.add("hit");
    if (address === picked) cell.classList.add("pick");
    return cell;
  };
  const makeRow = (place) => {
    const start = rows[place] * perRow;
    const row = element("div", "row");
    row.style.height = rowHeight + "px";
    if (place > 0 && rows[place - 1] !== rows[place] - 1) row.classList.add("break");
    row.append(element("span", "at", addressWords(start)));
    const strips = element("div", "strips");
    for (const image of images) {
      const strip = element("div", "strip");
      strip.append(element("em", "", images.length > 1 ? image.label.split(" ").pop() : ""));
      for (let at = start; at < start + perRow; at += 1) strip.append(cellOf(image, at));
      strips.append(strip);
    }
    row.append(strips);
    const names = [];
    for (let at = start; at < start + perRow; at += 1) {
      const region = regionAt(at);
      const name = region && (region[3] === "protected" ? region[2] + " (protected: not shown)" : region[2]);
      if (name && !names.includes(name)) names.push(name);
    }
    row.append(element("span", "where", names.join(", ")));
    return row;
  };
  const draw = () => {
    const top = topRow();
    const first = Math.max(0, Math.floor(top) - 2);
    const last = Math.min(rows.length, Math.ceil(top + view.clientHeight / rowHeight) + 3);
    const made = document.createDocumentFragment();
    for (let place = first; place < last; place += 1) made.append(makeRow(place));
    rowsBox.replaceChildren(made);
    const offset = fullHeight() <= TALLEST ? first * rowHeight : view.scrollTop - (top - first) * rowHeight;
    rowsBox.style.transform = "translateY(" + offset + "px)";
  };
  let waiting = false;
  const drawSoon = () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; draw(); });
  };

  const fit = () => {
    const width = view.clientWidth, rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
    const narrow = width < 16 * 1.68 * rem + 7 * rem;
    const beside = images.length < 3 && width > images.length * (16 * 1.68 + 3) * rem + 6 * rem;
    perRow = narrow ? 8 : 16;
    view.classList.toggle("narrow", narrow);
    view.classList.toggle("stacked", !beside);
    rowHeight = Math.round((beside ? 2.3 : 2.1 * images.length + 0.25) * rem);
    layOut();
  };
  const layOut = () => {
    const keep = picked >= 0 ? picked : rows.length ? rows[Math.min(rows.length - 1, Math.floor(topRow()))] * perRow : -1;
    rows = listRows(shown);
    height.style.height = boxHeight() + "px";
    if (keep >= 0 && rowOf(keep) >= 0) scrollToRow(rowOf(keep));
    draw();
  };

  const filters = {
    all: () => defined,
    marked: () => marked,
    identity: () => identity,
  };
  const setFilter = (name) => {
    byId("filter").value = name;
    shown = filters[name] ? filters[name]() : [regionSpans[Number(name)]];
    view.scrollTop = 0;
    rows = listRows(shown);
    height.style.height = boxHeight() + "px";
    draw();
    tell(rows.length ? rows.length + (rows.length === 1 ? " row" : " rows") : "Nothing to show.");
  };
  const tell = (text) => { byId("told").textContent = text; };

  const statusOf = (address) => {
    const parts = [addressWords(address)];
    const region = regionAt(address);
    if (holds(hidden, address)) parts.push("protected: not shown");
    else {
      for (const image of images) {
        const value = byteAt(image, address);
        const label = images.length > 1 ? image.label + " " : "";
        const readable = value >= 0x20 && value < 0x7f ? ", '" + String.fromCharCode(value) + "'" : "";
        parts.push(label + (value < 0 ? "not in the image" : hex(value, 2) + " = " + value + readable));
      }
    }
    if (holds(marked, address)) parts.push(data.marks);
    if (region) parts.push("in " + region[2] + " (" + region[3] + ")");
    return parts.join("; ");
  };
  const pick = (address) => {
    picked = address;
    byId("status").textContent = statusOf(address);
    for (const group of document.querySelectorAll("#maps g")) {
      const here = address >= Number(group.dataset.start) && address < Number(group.dataset.end);
      group.classList.toggle("here", here);
    }
  };
  const jump = (address) => {
    if (!holds(defined, address)) {
      tell(addressWords(address) + " is not in the image.");
      return false;
    }
    if (rowOf(address) < 0) setFilter("all");
    pick(address);
    const row = rowOf(address), top = topRow(), visible = view.clientHeight / rowHeight;
    if (row < top || row > top + visible - 1) scrollToRow(row);
    draw();
    return true;
  };

  // Search.
  const parseWanted = () => {
    const text = byId("wanted").value;
    if (byId("how").value === "text") {
      if (!/^[\x20-\x7e]*$/.test(text)) return null;
      return Array.from(text.toLowerCase(), (letter) => letter.charCodeAt(0));
    }
    const digits = text.replace(/0x|[\s,:]/gi, "");
    if (!/^([0-9a-f]{2})*$/i.test(digits)) return null;
    return (digits.match(/../g) || []).map((pair) => parseInt(pair, 16));
  };
  const search = () => {
    hits = [];
    const wanted = parseWanted();
    wantedLength = wanted ? wanted.length : 0;
    if (wanted === null) { tell(byId("how").value === "hex" ? "Hex digits come in pairs: 4F 3B." : "Only plain letters, digits and signs."); draw(); return; }
    if (!wanted.length) { tell(""); draw(); return; }
    const folded = byId("how").value === "text";
    const found = new Map();
    for (const image of images) {
      for (const part of image.segments) {
        const bytes = part.bytes, last = bytes.length - wanted.length;
        for (let at = 0; at <= last && found.size < MOST_HITS; at += 1) {
          let length = 0;
          for (; length < wanted.length; length += 1) {
            let value = bytes[at + length];
            if (folded && value >= 0x41 && value <= 0x5a) value += 0x20;
            if (value !== wanted[length]) break;
          }
          if (length < wanted.length || overlaps(hidden, part.start + at, part.start + at + length)) continue;
          const start = part.start + at;
          if (!found.has(start)) found.set(start, { start, images: new Set() });
          found.get(start).images.add(image);
        }
      }
    }
    hits = Array.from(found.values()).sort((a, b) => a.start - b.start);
    if (!hits.length) { tell("Not found."); draw(); return; }
    jump(hits[0].start);
    tellHit(0);
  };
  const tellHit = (place) => {
    const more = hits.length >= MOST_HITS ? " or more" : "";
    const who = images.length > 1 ? " in " + Array.from(hits[place].images, (image) => image.label).join(", ") : "";
    tell(place + 1 + " of " + hits.length + more + who);
  };
  const step = (direction) => {
    const places = hits.length ? hits.map((hit) => hit.start) : marked.map(([start]) => start);
    if (!places.length) { tell("There is no such place."); return; }
    let next;
    if (direction > 0) next = places.findIndex((at) => at > picked);
    else { next = places.length - 1; while (next >= 0 && places[next] >= picked) next -= 1; }
    if (next < 0) next = direction > 0 ? 0 : places.length - 1;
    jump(places[next]);
    if (hits.length) tellHit(next); else tell(next + 1 + " of " + places.length);
  };

  const parseAddress = (text) => /^(0x[0-9a-f]{1,12}|[0-9]{1,15})$/i.test(text) ? Number(text) : -1;
  const goTo = () => {
    const address = parseAddress(byId("address").value.trim());
    if (address < 0) tell("Write the address as 0x0120 or 288.");
    else if (jump(address)) { tell(""); view.focus(); }
  };

  const move = (distance) => {
    if (picked < 0) { if (rows.length) jump(Math.max(rows[Math.floor(topRow())] * perRow, shown[0][0])); return; }
    const row = rowOf(picked);
    let next = picked + distance;
    if (Math.abs(distance) >= perRow && row >= 0) {
      const target = Math.max(0, Math.min(rows.length - 1, row + Math.round(distance / perRow)));
      next = rows[target] * perRow + (picked % perRow);
    }
    if (holds(defined, next)) jump(next);
  };

  view.addEventListener("scroll", drawSoon);
  view.addEventListener("click", (event) => {
    const cell = event.target.closest("[data-at]");
    if (cell) jump(Number(cell.dataset.at));
  });
  view.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const page = perRow * Math.max(1, Math.floor(view.clientHeight / rowHeight) - 1);
    const keys = {
      ArrowLeft: () => move(-1), ArrowRight: () => move(1),
      ArrowUp: () => move(-perRow), ArrowDown: () => move(perRow),
      PageUp: () => move(-page), PageDown: () => move(page),
      Home: () => rows.length && jump(Math.max(shown[0][0], rows[0] * perRow)),
      End: () => rows.length && jump(shown[shown.length - 1][1] - 1),
    };
    if (keys[event.key]) { event.preventDefault(); keys[event.key](); }
  });
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input, select")) return;
    const keys = { n: () => step(1), p: () => step(-1), g: () => byId("address").focus(), "/": () => byId("wanted").focus() };
    if (keys[event.key]) { event.preventDefault(); keys[event.key](); }
  });
  byId("tools").addEventListener("submit", (event) => event.preventDefault());
  byId("filter").addEventListener("change", () => setFilter(byId("filter").value));
  byId("address").addEventListener("keydown", (event) => { if (event.key === "Enter") goTo(); });
  byId("wanted").addEventListener("keydown", (event) => {
    if (event.key !== "Enter") return;
    if (hits.length && byId("wanted").dataset.last === byId("wanted").value + byId("how").value) step(event.shiftKey ? -1 : 1);
    else search();
    byId("wanted").dataset.last = byId("wanted").value + byId("how").value;
  });
  byId("how").addEventListener("change", search);
  byId("before").addEventListener("click", () => step(-1));
  byId("after").addEventListener("click", () => step(1));
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-jump]");
    if (!button) return;
    if (jump(Number(button.dataset.jump))) view.scrollIntoView({ block: "nearest" });
  });
  byId("maps").addEventListener("click", (event) => {
    const group = event.target.closest("g[data-start]");
    if (!group) return;
    const svg = group.closest("svg");
    const box = svg.getBoundingClientRect(), seen = svg.viewBox.baseVal;
    const gutter = Number(svg.parentElement.parentElement.dataset.gutter || 66);
    const start = Number(group.dataset.start), end = Number(group.dataset.end);
    const across = (event.clientX - box.left) / box.width * seen.width - gutter;
    const share = Math.max(0, Math.min(0.9999, across / (seen.width - gutter - 1)));
    const cell = (end - start) / Math.round((seen.width - gutter - 1) / 10);
    const address = start + Math.floor(share * (end - start) / cell) * cell;
    const near = defined[firstEndingAfter(defined, address)];
    if (near) jump(Math.max(address, near[0]));
  });
  new ResizeObserver(fit).observe(view);
  fit();
})();
