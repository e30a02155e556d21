// Playing a tape side.
'use strict';
const audio = $('#audio');
if (audio) {
  let ctx, gain, meter, wave, timer;
  const items = [...document.querySelectorAll('#marks li')];
  const graph = () => {
    if (!ctx) {
      ctx = new AudioContext(); gain = ctx.createGain(); meter = ctx.createAnalyser(); wave = new Float32Array(meter.fftSize);
      ctx.createMediaElementSource(audio).connect(gain).connect(meter).connect(ctx.destination);
    }
    ctx.resume(); set();
  };
  const set = () => {
    const db = Number($('#level').value);
    $('#level-is').textContent = db + ' dB';
    if (gain) gain.gain.value = Math.pow(10, db / 20) * ($('#invert').checked ? -1 : 1);
    audio.dataset.gain = gain ? gain.gain.value : '';
  };
  const play = () => audio.play().catch((e) => say('The sound could not be played: ' + e.message));
  $('#level').addEventListener('input', set); $('#invert').addEventListener('change', set);

  // The countdown; the same button stops it.
  const still = (text) => { clearInterval(timer); timer = 0; $('#count').textContent = text; $('#go').textContent = 'Play in 5 seconds'; };
  $('#go').addEventListener('click', () => {
    if (timer) { still(''); return; }
    graph();
    let n = 5; $('#count').textContent = n; $('#go').textContent = 'Stop the countdown';
    timer = setInterval(() => {
      if (--n > 0) { $('#count').textContent = n; return; }
      still(''); play();
    }, 1000);
  });
  document.querySelectorAll('#marks button').forEach((b) => b.addEventListener('click', () => { still(''); audio.currentTime = Number(b.dataset.at); play(); }));

  // The blocks, as they are heard on the sound itself, under the program they belong to.
  const blocks = [];
  fetch(location.pathname + '/marks').then((r) => (r.ok ? r.json() : [])).then((programs) => {
    for (const p of programs) {
      const li = items.find((x) => p['from-s'] >= Number(x.dataset.at) && p['from-s'] < Number(x.dataset.at) + Number(x.dataset.to) + 1);
      if (!li) continue;
      let list = li.querySelector('ol');
      if (!list) {
        const d = document.createElement('details'), s = document.createElement('summary');
        list = document.createElement('ol'); list.className = 'blocks'; d.append(s, list); li.append(d);
      }
      for (const b of p.changed) {
        const row = document.createElement('li');
        row.textContent = clock(b['from-s']) + ' ' + b.what + ', ' + b.bytes + ' bytes';
        list.append(row);
        blocks.push({ row, name: li.dataset.name, n: list.children.length, of: list, from: b['from-s'], to: b['to-s'], what: b.what });
      }
      li.querySelector('summary').textContent = list.children.length + (list.children.length === 1 ? ' block' : ' blocks');
    }
    $('#marks').dataset.blocks = blocks.length;
  }).catch(() => {}); // the programs' own marks stand without them

  // What is playing now.
  const name = (t) => {
    const b = blocks.find((x) => t >= x.from && t < x.to);
    if (b) return [b.name + ', block ' + b.n + ' of ' + b.of.children.length + ', ' + b.what, b];
    const li = items.find((x) => t >= Number(x.dataset.at) && t < Number(x.dataset.at) + Number(x.dataset.to));
    if (li) return [blocks.some((x) => li.contains(x.row) && x.from > t) ? li.dataset.name + ', leader' : li.dataset.name, null];
    const next = items.find((x) => Number(x.dataset.at) > t);
    return [next ? 'Silence; ' + next.dataset.name + ' begins at ' + clock(Number(next.dataset.at)) : 'The last program is over.', null];
  };
  const mark = () => {
    const t = audio.currentTime, [text, now] = name(t);
    if ($('#now').textContent !== text) $('#now').textContent = text;
    $('#now').dataset.block = now ? now.n : '';
    for (const b of blocks) b.row.classList.toggle('now', b === now);
    items.forEach((li) => li.classList.toggle('now', t >= Number(li.dataset.at) && t < Number(li.dataset.at) + Number(li.dataset.to)));
  };
  let looking = false, looked = 0, cutAt = -1e9;
  const look = (ms) => {
    looking = !audio.paused;
    if (looking) requestAnimationFrame(look);
    if (ms - looked < 100) return;
    looked = ms;
    if (looking) mark();
    meter.getFloatTimeDomainData(wave);
    if (wave.some((v) => v >= 1 || v <= -1)) cutAt = ms;
    const cut = ms - cutAt < 2000 ? 'Too loud: the sound is cut off. Turn it down.' : '';
    if ($('#cut').textContent !== cut) $('#cut').textContent = cut;
  };
  audio.addEventListener('play', () => { graph(); if (!looking) { looking = true; requestAnimationFrame(look); } });
  audio.addEventListener('seeked', mark);
  audio.addEventListener('pause', () => { $('#now').textContent = audio.ended ? 'The side is over.' : 'Stopped at ' + clock(audio.currentTime) + '.'; });
}
