'use strict';
// The lens of a tape follows keys, wheel, fingers and the buttons below it. The server draws every stretch; while the
// drawing is on its way the old one is moved and stretched to where it belongs. One request at a time: a new one cancels
// the one before it.
(() => {
  const box = document.querySelector('#tapelens');
  const now = document.querySelector('#tapelens-now');
  if (!box || !now) return;
  document.documentElement.classList.add('tl-live');
  const pad = 8; // px beside the axis in each drawing
  const wait = 50; // ms of rest before the server is asked
  const calm = matchMedia('(prefers-reduced-motion: reduce)');
  const part = name => now.querySelector(`[data-part="${name}"]`);
  const lens = part('lens');
  const total = Number(now.dataset.total);
  const least = Number(now.dataset.least);
  let shown = {from: Number(now.dataset.from), span: Number(now.dataset.span)};
  let want = {...shown};
  let asked = null;
  let timer = 0;
  let drawn = 960; // width of the picture of the whole side

  const width = () => Math.round(Math.max(280, Math.min(1600, lens.clientWidth)));
  const digits = v => String(Number(v.toFixed(6)));

  function query(extra) {
    const q = new URLSearchParams();
    if (now.dataset.of !== '1') q.set('of', now.dataset.of);
    q.set('at', digits(want.from));
    q.set('span', digits(want.span));
    for (const k in extra) q.set(k, extra[k]);
    return '?' + q;
  }

  function clamp(from, span) {
    span = Math.min(total, Math.max(least, span));
    return {from: Math.min(total - span, Math.max(0, from)), span};
  }

  // preview moves the old drawing to where its time now is.
  function preview() {
    const svg = lens.querySelector('svg');
    if (!svg) return;
    const w = lens.clientWidth - 2 * pad;
    const scale = shown.span / want.span;
    const x = (shown.from - want.from) / want.span * w + pad - pad * scale;
    if (calm.matches && scale !== 1) return;
    svg.style.transformOrigin = '0 0';
    svg.style.transform = scale > 50 || scale < 0.02 ? '' : `translateX(${x}px) scaleX(${scale})`;
  }

  function go(from, span, rest = wait) {
    const next = clamp(from, span);
    if (next.from === want.from && next.span === want.span) return;
    want = next;
    preview();
    clearTimeout(timer);
    timer = setTimeout(fetchNow, rest);
  }

  async function fetchNow() {
    if (asked) asked.abort();
    const mine = asked = new AbortController();
    const w = width();
    const sent = want;
    try {
      const r = await fetch(box.dataset.url + query(w === drawn ? {part: 'lens', w, side: 0} : {part: 'lens', w}), {signal: mine.signal});
      const text = await r.text();
      if (asked !== mine) return;
      if (!r.ok) {
        part('says').textContent = text;
        return;
      }
      const settled = want === sent; // nothing else was asked for meanwhile
      put(text, settled);
      drawn = w;
      if (settled) history.replaceState(null, '', query({}) + '#tapelens');
    } catch (e) {
      if (e.name !== 'AbortError') part('says').textContent = 'The server does not answer: ' + e.message;
    } finally {
      if (asked === mine) asked = null;
    }
  }

  // put shows what came; where the lens has been moved on meanwhile it stays wanted there.
  function put(text, settled) {
    const fresh = new DOMParser().parseFromString(text, 'text/html').querySelector('#tapelens-now');
    if (!fresh) return;
    const held = document.activeElement && document.activeElement.dataset.do;
    const open = now.querySelector('details') ? now.querySelector('details').open : false;
    for (const p of fresh.querySelectorAll('[data-part]')) {
      const old = part(p.dataset.part);
      if (p.dataset.part === 'side' && !p.firstChild) continue; // it has not changed
      if (old && p.dataset.part === 'form' && old.contains(document.activeElement)) continue; // somebody types there
      if (old && (p.dataset.part === 'lens' || old.innerHTML !== p.innerHTML)) old.replaceChildren(...p.childNodes);
    }
    shown = {from: Number(fresh.dataset.from), span: Number(fresh.dataset.span)};
    if (settled) want = {...shown};
    else preview();
    for (const k of ['from', 'span']) now.dataset[k] = fresh.dataset[k];
    const d = now.querySelector('details');
    if (d) d.open = open;
    if (held) {
      const again = now.querySelector(`[data-do="${held}"]`);
      (again && !again.disabled ? again : lens).focus({preventScroll: true});
    }
    // The address of the lens stays right for the buttons that choose a recording.
    for (const a of box.querySelectorAll('#tl-copies a')) {
      const u = new URL(a.href);
      u.searchParams.set('at', digits(shown.from));
      u.searchParams.set('span', digits(shown.span));
      a.href = u;
    }
  }

  const zoom = (factor, share = 0.5) => {
    const span = Math.min(total, Math.max(least, want.span * factor));
    go(want.from + (want.span - span) * share, span);
  };
  const shareOf = x => {
    const r = lens.getBoundingClientRect();
    return Math.min(1, Math.max(0, (x - r.left - pad) / (r.width - 2 * pad)));
  };

  function follow(link) {
    const u = new URL(link.href);
    go(Number(u.searchParams.get('at')), Number(u.searchParams.get('span')), 0);
  }

  now.addEventListener('click', e => {
    const a = e.target.closest('a[data-do]');
    if (!a || e.ctrlKey || e.metaKey || e.shiftKey) return;
    e.preventDefault();
    follow(a);
  });

  part('form').addEventListener('submit', () => clearTimeout(timer)); // the form loads the page: times in any spelling

  lens.addEventListener('keydown', e => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const link = name => now.querySelector(`a[data-do="${name}"]`);
    const keys = {
      ArrowLeft: () => go(want.from - want.span / 4, want.span),
      ArrowRight: () => go(want.from + want.span / 4, want.span),
      PageUp: () => go(want.from - want.span, want.span),
      PageDown: () => go(want.from + want.span, want.span),
      Home: () => go(0, want.span),
      End: () => go(total, want.span),
      '+': () => zoom(0.5), '=': () => zoom(0.5), '-': () => zoom(2),
      n: () => { const a = link('next-fault'); if (a) follow(a); },
      p: () => { const a = link('previous-fault'); if (a) follow(a); },
    };
    const f = keys[e.key] || keys[e.key.toLowerCase()];
    if (!f) return;
    e.preventDefault();
    f();
  });

  // The wheel zooms where the lens has the focus, or with Ctrl (a pinch on a touch pad is that); else the page scrolls.
  lens.addEventListener('wheel', e => {
    const mine = e.ctrlKey || document.activeElement === lens;
    if (Math.abs(e.deltaX) > Math.abs(e.deltaY)) {
      e.preventDefault();
      go(want.from + e.deltaX / lens.clientWidth * want.span, want.span);
    } else if (mine) {
      e.preventDefault();
      zoom(2 ** (Math.max(-200, Math.min(200, e.deltaY)) / 150), shareOf(e.clientX));
    }
  }, {passive: false});

  // One pointer drags; two pinch about the middle between them.
  const pointers = new Map();
  let start = null;
  const begin = () => {
    const p = [...pointers.values()];
    start = p.length === 0 ? null : {...want, x: p.reduce((s, q) => s + q, 0) / p.length, apart: p.length > 1 ? Math.abs(p[0] - p[1]) : 0};
  };
  lens.addEventListener('pointerdown', e => {
    if (e.button !== 0) return;
    lens.setPointerCapture(e.pointerId);
    pointers.set(e.pointerId, e.clientX);
    lens.classList.add('moving');
    begin();
  });
  lens.addEventListener('pointermove', e => {
    if (!pointers.has(e.pointerId) || !start) return;
    pointers.set(e.pointerId, e.clientX);
    const p = [...pointers.values()];
    const x = p.reduce((s, q) => s + q, 0) / p.length;
    const w = lens.clientWidth - 2 * pad;
    let span = start.span;
    if (p.length > 1 && start.apart > 10) span = start.span * start.apart / Math.max(10, Math.abs(p[0] - p[1]));
    const share = shareOf(start.x);
    go(start.from + start.span * share - span * share - (x - start.x) / w * span, span);
  });
  for (const end of ['pointerup', 'pointercancel']) {
    lens.addEventListener(end, e => {
      pointers.delete(e.pointerId);
      if (!pointers.size) lens.classList.remove('moving');
      begin();
    });
  }

  // A click on the whole side brings the lens there.
  part('side').parentElement.addEventListener('click', e => {
    const r = part('side').getBoundingClientRect();
    const t = Math.min(1, Math.max(0, (e.clientX - r.left - pad) / (r.width - 2 * pad))) * total;
    const span = Math.min(want.span, total / 20);
    go(t - span / 2, span, 0);
  });

  const fit = () => {
    if (Math.abs(width() - drawn) < 24) return;
    clearTimeout(timer);
    timer = setTimeout(fetchNow, wait);
  };
  addEventListener('resize', fit);
  fit();
})();
