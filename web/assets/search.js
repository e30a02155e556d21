// Search as one types: the latest words asked for are shown, whatever order the answers come in.
'use strict';
const search = $('#search');
if (search) {
  let asked = 0;
  search.q.addEventListener('input', async () => {
    const mine = ++asked;
    try {
      const r = await fetch('/keep/search?q=' + encodeURIComponent(search.q.value));
      const text = await r.text();
      if (mine !== asked || !r.ok) return;
      $('#hits').innerHTML = text; // written by the server's template, which escapes
      const found = $('#found');
      $('#found-said').textContent = found ? found.textContent : '';
    } catch (e) { if (mine === asked) say('The server does not answer: ' + e.message); }
  });
}
