// Hands the samples of the input to the page, some 25 ms at a time, with their peak and when they ended.
class Listen extends AudioWorkletProcessor {
  constructor() { super(); this.b = new Float32Array(Math.ceil(sampleRate / 40)); this.n = 0; this.peak = 0; this.cut = 0; }
  process(inputs) {
    const x = inputs[0][0];
    if (!x) return true;
    for (let i = 0; i < x.length; i++) {
      const a = Math.abs(x[i]);
      if (a > this.peak) this.peak = a;
      if (a >= 0.999) this.cut++;
      this.b[this.n++] = x[i];
      if (this.n === this.b.length) {
        this.port.postMessage({ x: this.b.slice(), peak: this.peak, cut: this.cut, end: (currentFrame + i + 1) / sampleRate });
        this.n = 0; this.peak = 0; this.cut = 0;
      }
    }
    return true;
  }
}
registerProcessor('listen', Listen);
