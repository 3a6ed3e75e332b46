// Recordings of baseband frames for the tests, made without the encoder under test, each with a map of what stands where.
import { writeBasebandHeader } from '../../src/layers/baseband-header.js';
import { dvbS2 } from '../../src/layers/dvb-s2.js';
import type { LayerCounts } from '../../src/layers/layer.js';
import { type ModeAdaptationType, writeModeAdaptation } from '../../src/layers/mode-adaptation.js';
import { type Cut, feed, noise } from './seeded.js';

export type FrameShape = {
  /** Bytes of the data field. */
  data: number;
  /** Bytes of the record; absent = it ends with the data field. */
  record?: number;
  seed: number;
  matype1?: number;
  isi?: number;
  upl?: number;
  /** Byte of the data field where the first unit starts; -1 = none. */
  unit?: number;
  /** The mode adaptation header before the frame; its frame number is `seed`. Absent = none. */
  adaptation?: ModeAdaptationType;
};

/** One record: mode adaptation header, header, noise, padding of zeros. `record` is without the first of these. */
export function makeFrame({
  data,
  record,
  seed,
  matype1 = 0x70,
  isi = 0,
  upl = 0,
  unit = -1,
  adaptation = 'L.1',
}: FrameShape): Buffer {
  const syncd = unit < 0 || unit >= data ? 65535 : unit * 8;
  const ahead = writeModeAdaptation({ type: adaptation, modcod: 4, esN0: 7 + (seed % 9) / 8, frameNumber: seed });
  const header = writeBasebandHeader({ matype1, matype2: isi, upl, dfl: data * 8, sync: 0, syncd });
  const padding = Math.max(0, (record ?? 0) - 10 - data);
  return Buffer.concat([ahead, header, noise(data, seed), Buffer.alloc(padding)]);
}

/** What came out: data fields by their offset in the recording. */
export type Emitted = {
  fields: { at: number; bytes: Buffer; unit: number; afterGap: boolean }[];
  ended: number;
  counts: LayerCounts;
};

export function decode(recording: Uint8Array, cut: Cut, options: object = {}, base = 0): Emitted {
  const fields: Emitted['fields'] = [];
  let ended = 0;
  let gap = false;
  let open = false;
  const decoder = dvbS2.decoder(dvbS2.options.parse(options), {
    push: (buffer, start, end, at, unitStart) => {
      if (open) throw new Error('two data fields without unitEnd between them');
      fields.push({
        at,
        bytes: Buffer.from(buffer.subarray(start, end)),
        unit: unitStart < 0 ? -1 : unitStart - start,
        afterGap: gap,
      });
      gap = false;
      open = true;
    },
    gap: () => {
      gap = true;
    },
    unitEnd: () => {
      open = false;
    },
    end: () => {
      ended++;
    },
  });
  feed(recording, (...block) => decoder.push(...block), cut, base);
  decoder.end();
  return { fields, ended, counts: decoder.counts() };
}
