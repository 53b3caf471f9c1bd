"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const data = JSON.parse(byId("data").textContent);
  const view = byId("bytes"), height = byId("height"), rowsBox = byId("rows");
  const TALLEST = 8000000; // Browsers lose count of much taller boxes.
  const MOST_HITS = 10000;
  const MOST_PRINTED = 2000; // Rows.
  const LEAST_FOLDED = 3; // Rows.

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

  // Where a run begins: as in the list, a run lies in one region or in none.
  const borders = Array.from(new Set(regionSpans.flat())).sort((a, b) => a - b);
  const runStarts = marked.flatMap(([start, end]) => [start, ...borders.filter((at) => start < at && at < end)]);

  // Rows: first addresses of the rows that the filter shows.
  let perRow = 16, rowHeight = 40, rows = [], shown = defined, picked = -1, hits = [], wantedLength = 0;
  let folds = new Map(), opened = new Set(), columns = images, printing = false, origin = null, rowCount = 0;
  const foldBox = byId("fold");
  const listRows = (spans) => {
    const found = listEvery(spans);
    rowCount = found.length;
    folds = new Map();
    if (!foldBox || !foldBox.checked || !marked.length) return found;
    // A row beside a difference stays; what lies farther away is one row that opens.
    const far = found.map((row) => !overlaps(marked, (row - 1) * perRow, (row + 2) * perRow));
    const folded = [];
    for (let place = 0; place < found.length; place += 1) {
      let end = place;
      while (far[place] && far[end + 1] && found[end + 1] === found[end] + 1) end += 1;
      folded.push(found[place]);
      if (far[place] && end - place + 1 >= LEAST_FOLDED && !opened.has(found[place])) {
        folds.set(found[place], found[end]);
      } else {
        for (let row = place + 1; row <= end; row += 1) folded.push(found[row]);
      }
      place = end;
    }
    return folded;
  };
  const lastOf = (place) => folds.get(rows[place]) ?? rows[place];
  const listEvery = (spans) => {
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
    if (rows[low] === wanted) return low;
    return low > 0 && lastOf(low - 1) >= wanted ? low - 1 : -1;
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
  const foldWords = (place) => {
    const count = lastOf(place) - rows[place] + 1;
    return count.toLocaleString("en") + " rows without a difference";
  };
  const makeRow = (place) => {
    const start = rows[place] * perRow;
    const row = element("div", "row");
    if (!printing) row.style.height = rowHeight + "px";
    if (place > 0 && lastOf(place - 1) !== rows[place] - 1) row.classList.add("break");
    if (folds.has(rows[place])) {
      const last = lastOf(place), open = element("button", "fold", foldWords(place));
      open.append(element("span", "screen", ": open"));
      row.classList.add("folded");
      row.append(element("span", "at", addressWords(start) + "-" + addressWords((last + 1) * perRow - 1)));
      open.type = "button";
      open.tabIndex = -1;
      open.dataset.open = rows[place];
      if (rowOf(picked) === place) open.classList.add("pick");
      row.append(open);
      return row;
    }
    row.append(element("span", "at", addressWords(start)));
    const strips = element("div", "strips");
    for (const image of columns) {
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
    if (printing) return;
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
    const beside = columns.length < 3 && width > columns.length * (16 * 1.68 + 3) * rem + 6 * rem;
    if (perRow !== (narrow ? 8 : 16)) opened.clear();
    perRow = narrow ? 8 : 16;
    view.classList.toggle("narrow", narrow);
    view.classList.toggle("stacked", !beside);
    rowHeight = Math.round((beside ? 2.3 : 2.1 * columns.length + 0.25) * rem);
    layOut();
    // What scrolls can be scrolled by keys: a list without anything to focus is a stop itself.
    for (const list of document.querySelectorAll(".wide")) {
      if (list.querySelector("button")) continue;
      if (list.scrollWidth > list.clientWidth) list.tabIndex = 0; else list.removeAttribute("tabindex");
    }
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
    tell(rowCount ? rowCount + (rowCount === 1 ? " row" : " rows") : "Nothing to show.");
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
    if (region) parts.push("in " + region[2] + " (" + region[3].replaceAll("-", " ") + ")");
    return parts.join("; ");
  };
  const pick = (address) => {
    picked = address;
    const row = rowOf(address);
    byId("status").textContent = row >= 0 && folds.has(rows[row])
      ? addressWords(rows[row] * perRow) + "; " + foldWords(row) + "; Enter opens them" : statusOf(address);
    for (const group of document.querySelectorAll("#maps g")) {
      const here = address >= Number(group.dataset.start) && address < Number(group.dataset.end);
      group.classList.toggle("here", here);
    }
    for (const svg of document.querySelectorAll("#maps svg.map")) showCursor(svg, address);
  };
  const open = (row) => {
    opened.add(row);
    rows = listRows(shown);
    height.style.height = boxHeight() + "px";
  };
  const jump = (address, opening = true) => {
    if (!holds(defined, address)) {
      tell(addressWords(address) + " is not in the image.");
      return false;
    }
    if (rowOf(address) < 0) setFilter("all");
    if (opening && folds.has(rows[rowOf(address)])) open(rows[rowOf(address)]);
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
    const places = hits.length ? hits.map((hit) => hit.start) : runStarts;
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
    if (picked < 0) { if (rows.length) jump(Math.max(rows[Math.floor(topRow())] * perRow, shown[0][0]), false); return; }
    const row = rowOf(picked);
    let next = picked + distance;
    if (row >= 0 && folds.has(rows[row])) next = distance > 0 ? (lastOf(row) + 1) * perRow : rows[row] * perRow - 1;
    if (Math.abs(distance) >= perRow && row >= 0) {
      const target = Math.max(0, Math.min(rows.length - 1, row + Math.round(distance / perRow)));
      next = rows[target] * perRow + (picked % perRow);
    }
    if (holds(defined, next)) jump(next, false);
  };

  view.addEventListener("scroll", drawSoon);
  view.addEventListener("click", (event) => {
    const cell = event.target.closest("[data-at]"), folded = event.target.closest("[data-open]");
    if (cell) jump(Number(cell.dataset.at));
    if (folded) openAt(Number(folded.dataset.open));
    if (cell || folded) view.focus({ preventScroll: true });
  });
  const openAt = (row) => {
    open(row);
    jump(Math.max(row * perRow, defined[firstEndingAfter(defined, row * perRow)][0]));
  };
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
    const row = picked < 0 ? -1 : rowOf(picked);
    if (row >= 0 && folds.has(rows[row])) keys.Enter = keys[" "] = () => openAt(rows[row]);
    if (keys[event.key]) { event.preventDefault(); keys[event.key](); }
  });
  // Escape ends a search; without one it goes back to where the jump came from.
  const escape = () => {
    if (hits.length || byId("wanted").value) {
      hits = [];
      byId("wanted").value = "";
      byId("wanted").dataset.last = "";
      tell("The search is ended.");
      draw();
      view.focus({ preventScroll: true });
    } else if (origin && document.activeElement === view) origin.focus();
    else view.focus({ preventScroll: true });
  };
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") { event.preventDefault(); escape(); return; }
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
  const goFrom = (place) => {
    origin = place;
    view.focus({ preventScroll: true });
    view.scrollIntoView({ block: "nearest" });
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-jump]");
    if (button && jump(Number(button.dataset.jump))) goFrom(button);
  });

  // A list is one stop of the Tab key; arrows go through it.
  for (const list of document.querySelectorAll("#facts table")) {
    const buttons = Array.from(list.querySelectorAll("[data-jump]"));
    buttons.forEach((button, place) => { button.tabIndex = place ? -1 : 0; });
    list.addEventListener("keydown", (event) => {
      const here = buttons.indexOf(event.target);
      const next = { ArrowDown: here + 1, ArrowUp: here - 1, Home: 0, End: buttons.length - 1 }[event.key];
      if (here < 0 || next === undefined || !buttons[next]) return;
      event.preventDefault();
      buttons[here].tabIndex = -1;
      buttons[next].tabIndex = 0;
      buttons[next].focus();
    });
  }

  // The map: a click, or the arrow keys, cell by cell.
  const mapOf = (svg) => {
    const groups = Array.from(svg.querySelectorAll("g[data-start]"), (group) => [Number(group.dataset.start), Number(group.dataset.end)]);
    const across = Number(svg.dataset.columns), gutter = Number(svg.dataset.gutter);
    return { groups, across, gutter, cell: groups.length ? (groups[0][1] - groups[0][0]) / across : 1 };
  };
  const showCursor = (svg, address) => {
    const { groups, gutter, cell } = mapOf(svg);
    const row = groups.findIndex(([start, end]) => start <= address && address < end);
    let cursor = svg.querySelector(".cursor");
    if (!cursor) {
      cursor = document.createElementNS("http://www.w3.org/2000/svg", "rect");
      cursor.setAttribute("class", "cursor");
      cursor.setAttribute("pointer-events", "none");
      cursor.setAttribute("fill", "none");
      svg.append(cursor);
    }
    const box = svg.viewBox.baseVal, high = box.height / Math.max(1, groups.length);
    const wide = (box.width - gutter - 1) / Number(svg.dataset.columns);
    const place = row < 0 ? 0 : Math.floor((address - groups[row][0]) / cell);
    const shape = { x: gutter + place * wide - 1, y: Math.max(0, row * high - 0.5), width: row < 0 ? 0 : wide + 2, height: high - 2 };
    for (const [name, value] of Object.entries(shape)) cursor.setAttribute(name, value);
  };
  const nearest = (address, forward) => {
    const place = firstEndingAfter(defined, address);
    if (defined[place] && defined[place][0] <= address) return address;
    if (forward) return defined[place] ? defined[place][0] : -1;
    return place > 0 ? defined[place - 1][1] - 1 : -1;
  };
  const stepOnMap = (svg, across, down) => {
    const { groups, across: columnsOfMap, cell } = mapOf(svg);
    let row = groups.findIndex(([start, end]) => start <= picked && picked < end);
    if (row < 0) { if (groups.length) jump(nearest(groups[0][0], true)); return; }
    let column = Math.floor((picked - groups[row][0]) / cell) + across;
    row += down + Math.floor(column / columnsOfMap);
    column = (column + columnsOfMap) % columnsOfMap;
    if (!groups[row]) return;
    const address = nearest(groups[row][0] + column * cell, across + down > 0);
    if (address >= 0) jump(address);
  };
  for (const box of document.querySelectorAll("#maps .map-box")) {
    const svg = box.querySelector("svg");
    box.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const keys = {
        ArrowLeft: () => stepOnMap(svg, -1, 0), ArrowRight: () => stepOnMap(svg, 1, 0),
        ArrowUp: () => stepOnMap(svg, 0, -1), ArrowDown: () => stepOnMap(svg, 0, 1),
        Enter: () => { if (picked < 0) stepOnMap(svg, 0, 0); goFrom(box); },
      };
      if (keys[event.key]) { event.preventDefault(); keys[event.key](); }
    });
    box.addEventListener("click", (event) => {
      const group = event.target.closest("g[data-start]");
      if (!group) return;
      const { across: columnsOfMap, gutter, cell } = mapOf(svg);
      const seen = svg.viewBox.baseVal, frame = svg.getBoundingClientRect();
      const across = (event.clientX - frame.left) / frame.width * seen.width - gutter;
      const share = Math.max(0, Math.min(0.9999, across / (seen.width - gutter - 1)));
      const address = nearest(Number(group.dataset.start) + Math.floor(share * columnsOfMap) * cell, true);
      if (address >= 0 && jump(address)) goFrom(box);
    });
  }

  // A print has all rows that are chosen, every image below the other, or says what it lacks.
  let unfolded = [];
  const print = () => {
    printing = true;
    unfolded = Array.from(document.querySelectorAll("details:not([open])"));
    for (const list of unfolded) list.open = true;
    perRow = 16;
    rows = listRows(shown);
    view.classList.remove("narrow");
    view.classList.add("stacked");
    const made = document.createDocumentFragment(), last = Math.min(rows.length, MOST_PRINTED);
    for (let place = 0; place < last; place += 1) made.append(makeRow(place));
    rowsBox.replaceChildren(made);
    const chosen = byId("filter").selectedOptions[0].textContent;
    byId("printed").textContent = "Printed: " + chosen
      + (folds.size ? "; rows without a difference are folded" : "")
      + (columns.length < images.length ? "; " + columns[0].label + " alone" : "")
      + (last < rows.length ? "; left out from " + addressWords(rows[last] * perRow) + " on, since they are too many: choose fewer under Show" : "") + ".";
  };
  window.addEventListener("beforeprint", print);
  window.addEventListener("afterprint", () => {
    printing = false;
    for (const list of unfolded) list.open = false;
    fit();
  });
  if (foldBox) foldBox.addEventListener("change", () => { opened.clear(); layOut(); });
  if (byId("column")) {
    byId("column").addEventListener("change", () => {
      const one = images[Number(byId("column").value)];
      columns = one ? [one] : images;
      fit();
    });
  }
  new ResizeObserver(() => { if (!printing) fit(); }).observe(view);
  fit();
})();
