// The two sounds, made here: two falling tones for urgent, one for prompt.  Which page makes them the monitor decides.

let audio = null;

/** Whether the browser lets this page make sounds. */
export function able() {
  return audio !== null && audio.state === "running";
}

/** Ask the browser, which agrees only after a key or a click. */
export async function allow() {
  audio ??= new AudioContext();
  await audio.resume();
  return able();
}

function tone(frequency, at, length) {
  const source = new OscillatorNode(audio, { type: "triangle", frequency });
  const volume = new GainNode(audio, { gain: 0 });
  const begin = audio.currentTime + at;
  volume.gain.setValueAtTime(0, begin);
  volume.gain.linearRampToValueAtTime(0.4, begin + 0.02);
  volume.gain.setValueAtTime(0.4, begin + length - 0.05);
  volume.gain.linearRampToValueAtTime(0, begin + length);
  source.connect(volume).connect(audio.destination);
  source.start(begin);
  source.stop(begin + length);
}

/** Make the sound of a priority. */
export function sound(priority) {
  if (!able()) return false;
  if (priority === "urgent") {
    tone(880, 0, 0.35);
    tone(587, 0.4, 0.5);
  } else {
    tone(698, 0, 0.4);
  }
  return true;
}
