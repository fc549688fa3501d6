/* Sounds: rhythm tells them apart, so that pitch need not. Each note is [start, length, pitch], in seconds and hertz. */

const RHYTHMS = {
  tick: [[0, 0.05, 1250]],
  "two-ticks": [[0, 0.05, 1250], [0.12, 0.05, 1250]],
  low: [[0, 0.16, 330], [0.22, 0.16, 330]],
  fall: [[0, 0.2, 700], [0.24, 0.2, 520], [0.48, 0.26, 350]],
  click: [[0, 0.02, 500]],
};

const keep = (name, value) => {
  try {
    if (value === undefined) return localStorage.getItem(name);
    localStorage.setItem(name, value);
  } catch {
    /* Storage refused: the choice lasts for this page only. */
  }
  return null;
};

export const sounds = (box, slider) => {
  let audio = null;
  box.checked = keep("roundbook-sounds") !== "off";
  slider.value = keep("roundbook-loudness") ?? slider.value;
  box.addEventListener("change", () => keep("roundbook-sounds", box.checked ? "on" : "off"));
  slider.addEventListener("change", () => keep("roundbook-loudness", slider.value));

  const play = (name) => {
    const notes = RHYTHMS[name];
    if (!box.checked || !notes || !window.AudioContext) return;
    audio ??= new AudioContext();
    audio.resume();
    const loud = 0.5 * (Number(slider.value) / 100);
    for (const [start, length, pitch] of notes) {
      const tone = audio.createOscillator();
      const volume = audio.createGain();
      const at = audio.currentTime + start;
      tone.type = name === "fall" ? "sawtooth" : "sine";
      tone.frequency.value = pitch;
      volume.gain.setValueAtTime(0.0001, at);
      volume.gain.exponentialRampToValueAtTime(Math.max(loud, 0.0002), at + 0.005);
      volume.gain.exponentialRampToValueAtTime(0.0001, at + length);
      tone.connect(volume).connect(audio.destination);
      tone.start(at);
      tone.stop(at + length + 0.02);
    }
    document.documentElement.dataset.lastSound = name;
  };
  for (const button of document.querySelectorAll("[data-try]")) {
    button.addEventListener("click", () => play(button.dataset.try));
  }
  return play;
};
