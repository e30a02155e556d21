// Bytes and fields: what is chosen in one is marked in the other; of a disk, what belongs to the same file is underlined
// and its chain offered.
'use strict';
const hex = $('#hex'), fields = $('#fields');
if (hex && fields) {
  const all = (selector) => document.querySelectorAll('#hex ' + selector + ', #fields ' + selector);
  const mark = (e) => {
    const a = e.target.closest('a[data-f]');
    const f = a && fields.querySelector('[data-f="' + a.dataset.f + '"]');
    if (!f) return; // the link does it
    e.preventDefault();
    all('.on, .of').forEach((x) => { x.classList.remove('on', 'of'); x.removeAttribute('aria-current'); });
    if (f.dataset.c) {
      const same = new Set([...fields.querySelectorAll('[data-c="' + f.dataset.c + '"]')].map((x) => x.dataset.f));
      all('[data-f]').forEach((x) => { if (same.has(x.dataset.f)) x.classList.add('of'); });
    }
    all('[data-f="' + a.dataset.f + '"]').forEach((x) => { x.classList.remove('of'); x.classList.add('on'); });
    f.setAttribute('aria-current', 'true');
    const named = $('#named'), name = document.createElement('b');
    name.textContent = f.querySelector('b').textContent;
    named.replaceChildren(name, ': ' + f.querySelector('span').textContent);
    if (f.dataset.of) {
      const link = document.createElement('a');
      link.href = fields.dataset.file + '?chain=' + encodeURIComponent(f.dataset.of) + '#chain';
      link.textContent = 'Show the chain of ' + f.dataset.of;
      named.append('. ', link);
    }
    const other = a.closest('#hex') ? f : hex.querySelector('[data-f="' + a.dataset.f + '"]');
    if (other) other.scrollIntoView({ block: 'nearest' });
  };
  hex.addEventListener('click', mark); fields.addEventListener('click', mark);
}
