// Looking closer at a disk. Everything is a plain link; here the lens moves without loading the page anew, by wheel, keys
// and dragging too, and ribbons and bytes are walked with the arrow keys.
'use strict';
// One of many links takes the tab key; arrow keys walk to the others.
function walk(links, keys, reached) {
  if (!links.length) return;
  const start = Math.max(0, links.findIndex((a) => a.classList.contains('on')));
  links.forEach((a, i) => a.setAttribute('tabindex', i === start ? '0' : '-1'));
  links.forEach((a, i) => a.addEventListener('keydown', (e) => {
    const step = keys[e.key];
    const to = links[i + step];
    if (!step || !to) return;
    e.preventDefault(); e.stopPropagation();
    a.setAttribute('tabindex', '-1'); to.setAttribute('tabindex', '0'); to.focus();
    if (reached) reached(to);
  }));
}
const all = (s) => [...document.querySelectorAll(s)];
const ribbons = all('.ribbons a');
const under = $('#under');
if (under) {
  const rest = under.textContent;
  const tell = (a) => { under.textContent = a ? a.getAttribute('aria-label') : rest; };
  walk(ribbons, { ArrowDown: 1, ArrowUp: -1, ArrowRight: 1, ArrowLeft: -1 }, tell);
  ribbons.forEach((a) => {
    a.addEventListener('pointerenter', () => tell(a)); a.addEventListener('pointerleave', () => tell(null));
    a.addEventListener('focus', () => tell(a)); a.addEventListener('blur', () => tell(null));
  });
}

const hex = $('#hex');
const walkBytes = () => walk(all('#hex a'), { ArrowRight: 1, ArrowLeft: -1, ArrowDown: 16, ArrowUp: -16 });
if (hex && $('#lens')) {
  let asked = null;
  // go loads another view and puts its lens, and the marks of its bytes, in the place of this one's.
  const go = async (url, push) => {
    if (asked) asked.abort();
    const mine = asked = new AbortController();
    let d;
    try {
      const r = await fetch(url, { signal: mine.signal });
      d = new DOMParser().parseFromString(await r.text(), 'text/html');
    } catch { if (mine === asked) say('The server does not answer.'); return; }
    if (mine !== asked) return; // a later wish was faster
    const next = d.querySelector('#lens');
    if (!next) { location.href = url; return; }
    const old = document.activeElement;
    const back = old && old.id === 'glass' ? '#glass' : old && old.dataset.move ? '[data-move=' + old.dataset.move + ']' : old && old.dataset.b ? '#hex a[data-b="' + old.dataset.b + '"]' : null;
    const open = $('#lens details') && $('#lens details').open;
    $('#lens').replaceWith(next);
    if (open && $('#lens details')) $('#lens details').open = true;
    for (const id of ['#hex', '#seen']) { const x = d.querySelector(id); if (x) $(id).replaceChildren(...x.childNodes); }
    walkBytes();
    const f = back && ($(back) || $('#glass'));
    if (f) f.focus({ preventScroll: true });
    history[push ? 'pushState' : 'replaceState'](null, '', url);
  };
  const state = () => { const d = $('#lens').dataset; return { base: d.base, keep: d.keep, from: +d.from, cells: +d.cells, total: +d.total, left: +d.left, right: +d.right }; };
  const view = (from, cells, extra) => {
    const s = state();
    cells = Math.round(Math.max(8, Math.min(cells, s.total)));
    from = Math.round(Math.max(0, Math.min(from, s.total - cells)));
    const q = new URLSearchParams(s.keep);
    q.set('from', from); q.set('cells', cells);
    if (extra !== undefined) { q.delete('byte'); q.set('cell', extra); }
    go(s.base + '?' + q, false);
  };
  // where tells which part of the axis a pointer is over, 0..1.
  const where = (e) => {
    const s = state(), b = $('#glass svg').getBoundingClientRect();
    return ((e.clientX - b.left) / b.width - s.left) / (s.right - s.left);
  };
  const zoom = (factor, at) => { const s = state(); const n = Math.max(8, Math.min(s.cells * factor, s.total)); view(s.from + at * (s.cells - n), n); };
  document.addEventListener('click', (e) => {
    const a = e.target.closest('#lens a, #hex a, #seen a');
    if (!a || e.ctrlKey || e.metaKey || e.shiftKey || a.hasAttribute('download')) return;
    e.preventDefault();
    if (held && held.moved) return;
    go(a.href.baseVal || a.href, true);
  });
  let held = null;
  document.addEventListener('pointerdown', (e) => {
    if (!e.target.closest('#glass') || e.button !== 0) return;
    held = { x: e.clientX, at: where(e), moved: false };
  });
  document.addEventListener('pointermove', (e) => {
    if (!held || !(e.buttons & 1) || e.pointerType === 'touch') return; // a finger scrolls
    if (Math.abs(e.clientX - held.x) > 4) { held.moved = true; $('#glass').classList.add('held'); }
  });
  document.addEventListener('pointerup', (e) => {
    if (!held) return;
    $('#glass').classList.remove('held');
    const h = held;
    setTimeout(() => { held = null; }, 0); // after the click that follows
    if (h.moved) { const s = state(); view(s.from - (where(e) - h.at) * s.cells, s.cells); return; }
    if (e.target.closest('a') || !e.target.closest('#glass svg') || h.at < 0 || h.at > 1) return;
    const s = state();
    view(s.from, s.cells, Math.floor(s.from + h.at * s.cells));
  });
  document.addEventListener('wheel', (e) => {
    const g = e.target.closest('#glass');
    if (!g || !(e.ctrlKey || document.activeElement === g)) return; // else the page scrolls
    e.preventDefault();
    zoom(e.deltaY < 0 ? 0.5 : 2, Math.max(0, Math.min(where(e), 1)));
  }, { passive: false });
  document.addEventListener('keydown', (e) => {
    if (document.activeElement === null || document.activeElement.id !== 'glass' || e.ctrlKey || e.metaKey || e.altKey) return;
    const s = state();
    const keys = { ArrowLeft: () => view(s.from - s.cells / 4, s.cells), ArrowRight: () => view(s.from + s.cells / 4, s.cells), '+': () => zoom(0.5, 0.5), '=': () => zoom(0.5, 0.5), '-': () => zoom(2, 0.5), Home: () => view(0, s.total) };
    if (keys[e.key]) { e.preventDefault(); keys[e.key](); }
  });
  window.addEventListener('popstate', () => go(location.href, false));
  walkBytes();
}
