// The preview follows the choice: the same page is asked for with what was chosen, and its result takes the place of the
// old one.
'use strict';
const choice = $('#choice');
if (choice) {
  let asked = 0, wait;
  const show = async () => {
    const mine = ++asked, address = '/labels?' + new URLSearchParams(new FormData(choice));
    try {
      const r = await fetch(address), page = new DOMParser().parseFromString(await r.text(), 'text/html');
      if (mine !== asked || !r.ok) return;
      $('#result').replaceWith(document.adoptNode(page.querySelector('#result')));
      const start = page.querySelector('#start');
      choice.start.max = start.max;
      choice.querySelector('label[for=start]').textContent = page.querySelector('label[for=start]').textContent;
      if (Number(choice.start.value) > Number(start.max)) choice.start.value = start.value;
      history.replaceState(null, '', address);
    } catch (e) { if (mine === asked) say('The server does not answer: ' + e.message); }
  };
  choice.addEventListener('input', (e) => {
    if (e.target.closest('#own')) choice.sheet.value = 'own'; // who types sizes means them
    if (choice.sheet.value === 'own') $('#own').open = true;
    clearTimeout(wait); wait = setTimeout(show, 300);
  });
  choice.run.addEventListener('change', () => { choice.medium.value = ''; for (const as of choice.querySelectorAll('[name^=as-]')) as.value = ''; choice.submit(); }); // other media to choose from
  document.addEventListener('click', (e) => { // a label of the used sheet
    const a = e.target.closest('.used a');
    if (!a) return;
    e.preventDefault();
    choice.start.value = new URL(a.href.baseVal, location).searchParams.get('start');
    show();
  });
}
