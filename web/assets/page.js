// The page's own script. Every form works without it; here it only becomes quicker. Playing with level and polarity,
// and recording, need it by nature.
'use strict';
const $ = (s) => document.querySelector(s);
const token = $('meta[name=token]').content;
const post = (url, body, type) => fetch(url, { method: 'POST', body, headers: type ? { 'X-Token': token, 'Content-Type': type } : { 'X-Token': token } });
const form = (o) => new URLSearchParams({ ...o, token });
let hush;
function say(text) { const s = $('#said'); s.textContent = text; clearTimeout(hush); hush = setTimeout(() => { s.textContent = ''; }, 8000); }
const clock = (s) => { const t = Math.round(10 * s); return Math.floor(t / 600) + ':' + (t % 600 / 10).toFixed(1).padStart(4, '0'); };
