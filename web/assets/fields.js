// Bytes and fields.
'use strict';
const hex = $('#hex'), fields = $('#fields');
if (hex && fields) {
  const mark = (e) => {
    const a = e.target.closest('a[data-f]');
    if (!a) return;
    e.preventDefault();
    document.querySelectorAll('.on').forEach((x) => { x.classList.remove('on'); x.removeAttribute('aria-current'); });
    document.querySelectorAll('[data-f="' + a.dataset.f + '"]').forEach((x) => x.classList.add('on'));
    const f = fields.querySelector('[data-f="' + a.dataset.f + '"]');
    if (f) { f.setAttribute('aria-current', 'true'); $('#named').textContent = f.querySelector('b').textContent + ': ' + f.querySelector('span').textContent; }
    const other = a.closest('#hex') ? f : hex.querySelector('[data-f="' + a.dataset.f + '"]');
    if (other) other.scrollIntoView({ block: 'nearest' });
  };
  hex.addEventListener('click', mark); fields.addEventListener('click', mark);
}
