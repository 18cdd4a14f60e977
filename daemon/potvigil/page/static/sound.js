"use strict";
/* The alarm sounds, synthesised by the browser.

   A high alarm is a square wave of 520 Hz, the low-frequency signal NFPA 72 requires where people sleep; half a
   second on, half a second off, so it is no evacuation signal (three pulses and a pause, ISO 8201). */
const sound = (() => {
  const HERTZ = 520;
  const RAMP_S = 0.005; // avoids clicks
  const LEAST = 0.1;
  const RISE_S = 45;
  const GENTLE = { hertz: 660, loudness: 0.25, lasts_s: 1.6 };
  const TRIED_MS = 3000;
  const Context = window.AudioContext ?? window.webkitAudioContext;
  let context = null;
  let waking = null;

  /* One second of the alarm, looped, so that it needs no timer. */
  function second(of) {
    const rate = of.sampleRate;
    const buffer = of.createBuffer(1, rate, rate);
    const wave = buffer.getChannelData(0);
    for (let i = 0; i < rate / 2; i += 1) {
      const edge = Math.min(1, i / rate / RAMP_S, (0.5 - i / rate) / RAMP_S);
      wave[i] = (((i * HERTZ) / rate) % 1 < 0.5 ? 1 : -1) * edge;
    }
    return buffer;
  }

  /* Start the alarm, rising to full volume; return a function that stops it. */
  function high(of, riseS) {
    const source = of.createBufferSource();
    const gain = of.createGain();
    source.buffer = second(of);
    source.loop = true;
    gain.gain.setValueAtTime(riseS > 0 ? LEAST : 1, of.currentTime);
    if (riseS > 0) gain.gain.exponentialRampToValueAtTime(1, of.currentTime + riseS);
    source.connect(gain).connect(of.destination);
    source.start();
    return () => source.stop();
  }

  /* Play a single gentle tone that fades out. */
  function gentle(of) {
    const tone = of.createOscillator();
    const gain = of.createGain();
    tone.frequency.value = GENTLE.hertz;
    gain.gain.setValueAtTime(0.001, of.currentTime);
    gain.gain.exponentialRampToValueAtTime(GENTLE.loudness, of.currentTime + 0.05);
    gain.gain.exponentialRampToValueAtTime(0.001, of.currentTime + GENTLE.lasts_s);
    tone.connect(gain).connect(of.destination);
    tone.start();
    tone.stop(of.currentTime + GENTLE.lasts_s);
  }

  return {
    high,
    gentle,
    can: () => Context !== undefined,
    isBlocked: () => context?.state !== "running",
    isWaking: () => waking !== null,
    /* Enable sound; browsers refuse before the first tap, so try again at the next. */
    async open() {
      if (!Context) return;
      if (navigator.audioSession) navigator.audioSession.type = "playback"; // ignore an iPhone's mute switch
      context ??= new Context();
      if (context.state !== "running") await context.resume().catch(() => {});
    },
    close() {
      this.calm();
      context?.close();
      context = null;
    },
    wake() {
      if (context) waking ??= high(context, RISE_S);
    },
    calm() {
      waking?.();
      waking = null;
    },
    chime() {
      if (context) gentle(context);
    },
    try() {
      if (!context || waking) return;
      setTimeout(high(context, 0), TRIED_MS);
    },
  };
})();
