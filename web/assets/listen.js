// Hands the samples of the input to the page, 1024 at a time.
class Listen extends AudioWorkletProcessor {
  constructor() { super(); this.b = new Float32Array(1024); this.n = 0; }
  process(inputs) {
    const x = inputs[0][0];
    if (!x) return true;
    for (let i = 0; i < x.length; i++) {
      this.b[this.n++] = x[i];
      if (this.n === this.b.length) { this.port.postMessage(this.b.slice()); this.n = 0; }
    }
    return true;
  }
}
registerProcessor('listen', Listen);
