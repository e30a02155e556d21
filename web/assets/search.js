// Search as one types.
'use strict';
const search = $('#search');
if (search) {
  let n = 0;
  search.q.addEventListener('input', async () => {
    const mine = ++n, r = await fetch('/keep/search?q=' + encodeURIComponent(search.q.value));
    const text = await r.text();
    if (mine === n && r.ok) $('#hits').innerHTML = text; // written by the server's template, which escapes
  });
}
