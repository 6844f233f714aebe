// The line to the laptop: the state in pieces, the running trace, and orders with their answers.

const TRY_AGAIN_MS = [300, 700, 1500, 3000];
const SHOWN_OUT = 4001;
const NOT_LET_IN = 4003;

/**
 * Keep a line open, for as long as the page is.
 * @param {(parts: object, changed: Set<string>) => void} onState gets all pieces of the state and which are new
 * @param {(rows: Float32Array) => void} onTrace gets rows of four: time, force, pressure along and across
 * @param {(up: boolean) => void} onLink
 * @returns {(what: string, fields?: object) => Promise<string>} sends an order; gives the words of the answer
 */
export function openLine({ onState, onTrace, onLink }) {
  const parts = {};
  const waiting = new Map();
  let socket = null;
  let tries = 0;
  let number = 0;

  const open = () => {
    socket = new WebSocket(`ws://${location.host}/live`);
    socket.binaryType = "arraybuffer";
    socket.onopen = () => { tries = 0; onLink(true); };
    socket.onmessage = (message) => {
      if (message.data instanceof ArrayBuffer) {
        onTrace?.(new Float32Array(message.data));
        return;
      }
      const told = JSON.parse(message.data);
      if (told.kind === "state") {
        Object.assign(parts, told.parts);
        onState(parts, new Set(Object.keys(told.parts)));
        return;
      }
      const asked = waiting.get(told.number);
      waiting.delete(told.number);
      if (told.kind === "done") asked?.done(told.words);
      else asked?.refused(new Error(told.why));
    };
    socket.onclose = (event) => {
      onLink(false);
      for (const asked of waiting.values()) asked.refused(new Error("The line was cut before the laptop answered; look whether it was done."));
      waiting.clear();
      if (event.code === SHOWN_OUT || event.code === NOT_LET_IN) {
        location.replace("/join");
        return;
      }
      setTimeout(open, TRY_AGAIN_MS[Math.min(tries++, TRY_AGAIN_MS.length - 1)]);
    };
  };
  open();

  return (what, fields = {}) =>
    new Promise((done, refused) => {
      if (socket.readyState !== WebSocket.OPEN) {
        refused(new Error("The laptop cannot be reached at the moment; nothing was changed. The recording goes on there."));
        return;
      }
      number += 1;
      waiting.set(number, { done, refused });
      socket.send(JSON.stringify({ do: what, number, ...fields }));
    });
}
