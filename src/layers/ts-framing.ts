// Tells by content how transport stream packets come: with sync bytes, or as user packets of baseband frames, whose sync bytes are
// replaced; and how far apart. The first bytes are read both ways, and the way that proves itself reads them again, and on.
import { BasebandTs } from './baseband-ts.js';
import type { PacketSink } from './ts-packet.js';
import { TsSync } from './ts-sync.js';

type Framing = BasebandTs | TsSync;
/** A push to be done again, or `null` for a gap. */
type Held = { readonly bytes: Uint8Array; readonly at: number; readonly unitStart: number } | null;

const STEP_BYTES = 8192;
/** Both ways are tried each time another step is there, on no more than this. */
const HELD_BYTES = 2 * STEP_BYTES;
/** CRC-8s that by accident are right in one of 16 million; at the end of a short recording one less must do. */
const NEEDED_CRCS = 3;

/** Passes everything on to one way of framing, once it is known which; holds up to 16 KB before. */
export class TsFraming {
  readonly #baseband: boolean | 'auto';
  readonly #sink: PacketSink;
  #chosen: Framing | undefined;
  #held: Held[] = [];
  #heldBytes = 0;
  #sinceTried = 0;
  #droppedBytes = 0;

  /** @param baseband whether the input is data fields of transport stream baseband frames; 'auto' = find out */
  constructor(baseband: boolean | 'auto', sink: PacketSink) {
    this.#baseband = baseband;
    this.#sink = sink;
  }

  push(buffer: Uint8Array, start: number, end: number, at: number, unitStart: number): void {
    let from = start;
    while (!this.#chosen && from < end) {
      const until = Math.min(end, from + STEP_BYTES - this.#sinceTried);
      const hint = unitStart >= from && unitStart < until ? unitStart - from : -1;
      this.#hold(
        { bytes: Uint8Array.from(buffer.subarray(from, until)), at: at + from - start, unitStart: hint },
        until - from,
      );
      from = until;
    }
    if (this.#chosen && from < end) {
      this.#chosen.push(buffer, from, end, at + from - start, unitStart >= from ? unitStart : -1);
    }
  }

  gap(): void {
    if (this.#chosen) this.#chosen.gap();
    else if (this.#held.at(-1) !== null) this.#held.push(null);
  }

  end(): void {
    if (!this.#chosen) this.#choose(true);
    this.#chosen?.end();
  }

  counts(): Readonly<Record<string, number>> {
    const chosen = this.#chosen;
    const skippedBytes = this.#droppedBytes + (chosen?.skippedBytes ?? this.#heldBytes);
    if (!(chosen instanceof BasebandTs)) return { packets: chosen?.packets ?? 0, skippedBytes };
    const { packets, crc8Wrong, unchecked, cut } = chosen;
    return { packets, skippedBytes, crc8Wrong, unchecked, cut };
  }

  #hold(piece: NonNullable<Held>, bytes: number): void {
    this.#held.push(piece);
    this.#heldBytes += bytes;
    this.#sinceTried += bytes;
    if (this.#sinceTried < STEP_BYTES) return;
    this.#sinceTried = 0;
    this.#choose(false);
    while (!this.#chosen && this.#heldBytes > HELD_BYTES - STEP_BYTES) {
      const size = this.#held.shift()?.bytes.length ?? 0;
      this.#heldBytes -= size;
      this.#droppedBytes += size;
    }
  }

  #choose(final: boolean): void {
    const sink = { packet: () => undefined };
    const baseband = new BasebandTs(sink);
    const sync = new TsSync(sink);
    for (const framing of [baseband, sync]) {
      this.#replay(framing);
      if (final) framing.end();
    }
    // A PID may make headers that hold sync bytes at the right distance; CRC-8s are not right by accident.
    const needed = final ? NEEDED_CRCS - 1 : NEEDED_CRCS;
    if (this.#baseband !== false && baseband.proven >= needed) {
      this.#chosen = new BasebandTs(this.#sink, baseband.pitch);
    } else if (this.#baseband !== true && sync.packets > 0) {
      this.#chosen = new TsSync(this.#sink, sync.period);
    }
    if (!this.#chosen) return;
    this.#replay(this.#chosen);
    this.#held = [];
    this.#heldBytes = 0;
  }

  #replay(framing: Framing): void {
    for (const held of this.#held) {
      if (held === null) framing.gap();
      else framing.push(held.bytes, 0, held.bytes.length, held.at, held.unitStart);
    }
  }
}
