// Points are kept in the picture's own pixels; the drawing surface has the picture's size as its coordinates, so zoom changes nothing.
const NS = 'http://www.w3.org/2000/svg';
const NEEDED = { pit: 1, place: 1, length: 2, outline: Infinity };
const HINTS = {
  look: 'Plus and minus enlarge and shrink the picture.',
  pit: 'Tap a pit. With the keyboard: N goes to the next pit, Enter chooses it.',
  place: 'Tap the middle of the pit. With the keyboard: arrow keys move the cross, Enter sets it.',
  length: 'Tap one end of the length, then the other. Backspace takes the last point back.',
  outline: 'Tap round the area; tap the first point or press Enter to close it. Backspace takes the last point back.',
};
const node = (name, attributes) => {
  const made = document.createElementNS(NS, name);
  for (const key in attributes) made.setAttribute(key, attributes[key]);
  return made;
};
export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const frame = parentElement.querySelector('.frame'), sheet = parentElement.querySelector('.sheet');
  const image = sheet.querySelector('img'), drawing = sheet.querySelector('svg'), hint = parentElement.querySelector('.hint');
  const kept = frame._kept || (frame._kept = { zoom: 1, points: [], cursor: null, chosen: -1 });
  if (kept.picture !== data.picture) {
    image.src = data.src;
    Object.assign(kept, { picture: data.picture, points: [], cursor: null, chosen: -1 });
  }
  if (kept.mode !== data.mode) Object.assign(kept, { mode: data.mode, points: [], cursor: null, chosen: -1 });
  image.alt = data.label;
  frame.setAttribute('aria-label', data.label + '. ' + HINTS[data.mode]);
  frame.classList.toggle('pointing', data.mode !== 'look');
  frame.style.touchAction = data.mode === 'look' ? 'auto' : 'manipulation';
  hint.textContent = HINTS[data.mode];
  drawing.setAttribute('viewBox', `0 0 ${data.width} ${data.height}`);
  const pits = data.shapes.filter((shape) => shape.kind === 'pit' || shape.kind === 'added');
  const middle = (shape) => {
    const xs = shape.points.map((p) => p[0]), ys = shape.points.map((p) => p[1]);
    return [(Math.min(...xs) + Math.max(...xs)) / 2, (Math.min(...ys) + Math.max(...ys)) / 2];
  };
  const draw = () => {
    sheet.style.width = 100 * kept.zoom + '%';
    const parts = [];
    for (const shape of data.shapes) {
      const points = shape.points.map((p) => p.join(',')).join(' ');
      if (shape.kind !== 'outline') parts.push(node('polygon', { points, class: 'halo' }));
      const chosen = pits.indexOf(shape) === kept.chosen && kept.chosen >= 0;
      parts.push(node('polygon', { points, class: shape.kind + (chosen ? ' chosen' : ''), 'data-id': shape.id ?? '' }));
    }
    if (kept.points.length) parts.push(node(data.mode === 'outline' ? 'polygon' : 'polyline', { points: kept.points.map((p) => p.join(',')).join(' '), class: 'drawn' }));
    for (const p of kept.points) parts.push(node('circle', { cx: p[0], cy: p[1], r: data.width / 250 / kept.zoom, class: 'drawn' }));
    if (kept.cursor) {
      const [x, y] = kept.cursor, reach = data.width / 60 / kept.zoom;
      parts.push(node('path', { d: `M${x - reach},${y}h${2 * reach}M${x},${y - reach}v${2 * reach}`, class: 'cursor' }));
    }
    drawing.replaceChildren(...parts);
  };
  const give = (extra) => {
    const points = kept.points.map((p) => p.map((c) => Math.round(c * 10) / 10));
    Object.assign(kept, { points: [], cursor: null });
    draw();
    setTriggerValue('event', { mode: data.mode, points, pit: null, ...extra });
  };
  const nearestPit = (place, reach) => {
    let best = null, least = reach;
    for (const shape of pits) {
      const [x, y] = middle(shape);
      const xs = shape.points.map((p) => p[0]);
      const distance = Math.hypot(place[0] - x, place[1] - y) - (Math.max(...xs) - Math.min(...xs)) / 2;
      if (distance < least) { least = distance; best = shape; }
    }
    return best;
  };
  const add = (place) => {
    if (data.mode === 'look') return;
    if (data.mode === 'pit') {
      const box = drawing.getBoundingClientRect();
      const found = nearestPit(place, (24 * data.width) / box.width); // a fingertip is some 24 screen pixels off
      if (found) give({ pit: found.id, points: [] });
      else hint.textContent = 'No pit there. ' + HINTS.pit;
      return;
    }
    const first = kept.points[0], box = drawing.getBoundingClientRect();
    if (data.mode === 'outline' && kept.points.length > 2 && Math.hypot(place[0] - first[0], place[1] - first[1]) < (18 * data.width) / box.width) return give({});
    kept.points.push(place);
    if (kept.points.length >= NEEDED[data.mode]) give({}); else draw();
  };
  const zoom = (factor) => { kept.zoom = Math.min(8, Math.max(1, kept.zoom * factor)); draw(); };
  drawing.onclick = (event) => {
    frame.focus({ preventScroll: true });
    const box = drawing.getBoundingClientRect();
    add([((event.clientX - box.left) / box.width) * data.width - 0.5, ((event.clientY - box.top) / box.height) * data.height - 0.5]);
  };
  frame.onkeydown = (event) => {
    const step = (event.shiftKey ? 0.05 : 0.005) * data.width;
    const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    if (event.key === '+' || event.key === '=') zoom(1.5);
    else if (event.key === '-') zoom(1 / 1.5);
    else if (data.mode === 'look') return;
    else if (event.key === 'Escape') { Object.assign(kept, { points: [], cursor: null, chosen: -1 }); draw(); }
    else if (event.key === 'Backspace') { kept.points.pop(); draw(); }
    else if (data.mode === 'pit' && (event.key === 'n' || event.key === 'N') && pits.length) {
      kept.chosen = (kept.chosen + (event.shiftKey ? pits.length - 1 : 1)) % pits.length;
      hint.textContent = `Pit ${pits[kept.chosen].id}. Enter chooses it.`;
      draw();
    } else if (data.mode === 'pit' && event.key === 'Enter' && kept.chosen >= 0) give({ pit: pits[kept.chosen].id, points: [] });
    else if (moves[event.key] && data.mode !== 'pit') {
      const at = kept.cursor || [data.width / 2, data.height / 2], move = moves[event.key];
      kept.cursor = [Math.min(data.width - 1, Math.max(0, at[0] + move[0])), Math.min(data.height - 1, Math.max(0, at[1] + move[1]))];
      draw();
    } else if (event.key === 'Enter') {
      if (data.mode === 'outline' && kept.points.length > 2 && !kept.cursor) give({});
      else if (kept.cursor) { const at = kept.cursor; add(at); if (kept.points.length) kept.cursor = at; draw(); }
      else return;
    } else return;
    event.preventDefault();
  };
  draw();
  return () => {};
}
