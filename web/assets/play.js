// Playing a tape side.
'use strict';
const audio = $('#audio');
if (audio) {
  let ctx, gain;
  const graph = () => {
    if (!ctx) {
      ctx = new AudioContext(); gain = ctx.createGain();
      ctx.createMediaElementSource(audio).connect(gain).connect(ctx.destination);
    }
    ctx.resume(); set();
  };
  const set = () => {
    const db = Number($('#level').value);
    $('#level-is').textContent = db + ' dB';
    if (gain) gain.gain.value = Math.pow(10, db / 20) * ($('#invert').checked ? -1 : 1);
    audio.dataset.gain = gain ? gain.gain.value : '';
  };
  $('#level').addEventListener('input', set); $('#invert').addEventListener('change', set);
  audio.addEventListener('play', graph);
  let timer;
  $('#go').addEventListener('click', () => {
    graph(); clearInterval(timer);
    let n = 5; $('#count').textContent = n;
    timer = setInterval(() => {
      n--; $('#count').textContent = n > 0 ? n : '';
      if (n <= 0) { clearInterval(timer); audio.play().catch((e) => say('The sound could not be played: ' + e.message)); }
    }, 1000);
  });
  document.querySelectorAll('#marks button').forEach((b) => b.addEventListener('click', () => { audio.currentTime = Number(b.dataset.at); audio.play().catch((e) => say(e.message)); }));
  audio.addEventListener('timeupdate', () => document.querySelectorAll('#marks li').forEach((li) => {
    const at = Number(li.dataset.at);
    li.classList.toggle('now', audio.currentTime >= at && audio.currentTime < at + Number(li.dataset.to));
  }));
}
