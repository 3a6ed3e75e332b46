// TM and AOS transfer frames (CCSDS 132.0-B, 732.0-B) told apart: by the version, one spacecraft, and virtual channel frame counts
// that go up by one. A mission's own frame behind the same marker has none of these.
import { makeCrc } from '../bytes/crc.js';
import { CRC_CATALOGUE } from '../bytes/crc-catalogue.js';
import { AOS_HEADER_BYTES, aosCountAt, aosScidAt, aosVcidAt, IDLE_CHANNEL } from '../layers/aos-header.js';
import { tmScidAt, tmVcidAt } from '../layers/tm-header.js';
import { countsLike, type Finding, type Level, MAX_SIBLINGS, outOf } from './finding.js';
import { probePackets } from './packet-probe.js';
import { readLayer, type Tape } from './tape.js';

export type TransferKind = {
  readonly layer: 'tm' | 'aos';
  readonly fecf: boolean;
  readonly scid: number;
  readonly proof: string;
};

const crc = makeCrc(CRC_CATALOGUE['CRC-16/IBM-3740']);
const MIN_FRAMES = 4;
const MAX_FRAMES = 4000;

/** What the units of a level are, or `undefined` where they are not transfer frames. */
export function transferKind(tape: Tape): TransferKind | undefined {
  const units = tape
    .units()
    .filter(({ start, end }) => end - start > AOS_HEADER_BYTES + 2)
    .slice(0, MAX_FRAMES);
  const checked = units.filter(({ start, end }) => crc(tape.data, start, end) === 0);
  const fecf = checked.length >= 0.3 * units.length;
  const frames = fecf ? checked : units;
  if (frames.length < MIN_FRAMES) return undefined;
  const version = tape.data[frames[0]!.start]! >> 6;
  for (const [layer, own] of [
    ['tm', 0],
    ['aos', 1],
  ] as const) {
    const spacecraft = frames.map(({ start }) =>
      layer === 'tm' ? tmScidAt(tape.data, start) : aosScidAt(tape.data, start),
    );
    const scid = commonest(spacecraft);
    const fit = frames.filter(({ start }, i) => {
      // The segment length identifier is 11 where packets are carried (132.0-B, from memory).
      const isTm = layer === 'aos' || (tape.data[start + 4]! & 0x40) !== 0 || ((tape.data[start + 4]! >> 3) & 3) === 3;
      return tape.data[start]! >> 6 === own && spacecraft[i] === scid && isTm;
    });
    if (fit.length < 0.9 * frames.length) continue;
    const { pairs, steps } = countSteps(
      tape.data,
      fit.map(({ start }) => start),
      layer,
    );
    if (pairs < MIN_FRAMES - 1 || steps < 0.5 * pairs) continue;
    const checks = fecf ? `${outOf(checked.length, units.length)} frames have the right FECF` : 'no FECF';
    return {
      layer,
      fecf,
      scid,
      proof: `${checks}; version ${version}, spacecraft ${scid}, ${outOf(steps, pairs)} frame counts go on`,
    };
  }
  return undefined;
}

function countSteps(
  data: Uint8Array,
  starts: readonly number[],
  layer: 'tm' | 'aos',
): { pairs: number; steps: number } {
  const last = new Map<number, number>();
  let pairs = 0;
  let steps = 0;
  for (const start of starts) {
    const channel = layer === 'tm' ? tmVcidAt(data, start) : aosVcidAt(data, start);
    if (layer === 'aos' && channel === IDLE_CHANNEL) continue;
    const count = layer === 'tm' ? data[start + 3]! : aosCountAt(data, start) % 2 ** 24;
    const before = last.get(channel);
    if (before !== undefined) {
      pairs++;
      if ((count - before + 2 ** 24) % (layer === 'tm' ? 256 : 2 ** 24) === 1) steps++;
    }
    last.set(channel, count);
  }
  return { pairs, steps };
}

function commonest(values: readonly number[]): number {
  const times = new Map<number, number>();
  for (const value of values) times.set(value, (times.get(value) ?? 0) + 1);
  return [...times].reduce((a, b) => (b[1] > a[1] ? b : a))[0];
}

/** The virtual channels of a level of transfer frames, each a finding. */
export function probeTransferFrames(tape: Tape): Finding[] {
  const kind = transferKind(tape);
  if (!kind) return [];
  const { layer, scid } = kind;
  const base = kind.fecf ? {} : { fecf: false };
  const { counts } = readLayer(tape, layer, base);
  const frames = counts['frames'] ?? 0;
  const channels = countsLike(counts, /^virtual channel (\d+)$/).filter(
    ({ key, times }) => times >= Math.max(2, frames / 500) && !(layer === 'aos' && Number(key) === IDLE_CHANNEL),
  );
  return channels.slice(0, MAX_SIBLINGS).map(({ key, times }): Finding => {
    const options = { ...base, vcid: Number(key) };
    const carried = layer === 'tm' ? tmData(tape, options) : aosData(tape, options);
    return {
      ...carried,
      layer,
      proof: `${times} frames of virtual channel ${key}, spacecraft ${scid}`,
      explained: Math.round((tape.data.length * times) / Math.max(1, frames)),
    };
  });
}

type Data = Pick<Finding, 'options' | 'counts' | 'tape' | 'level' | 'unknown'>;

function tmData(tape: Tape, options: Readonly<Record<string, unknown>>): Data {
  return { options, level: 'packet zone' satisfies Level, ...readLayer(tape, 'tm', options) };
}

/** Whether the operational control field or header error control are there, AOS does not say: what makes packets fit tells. */
function aosData(tape: Tape, base: Readonly<Record<string, unknown>>): Data {
  let best: (Data & { misfits: number }) | undefined;
  for (const extra of [{}, { ocf: true }, { headerErrorControl: true }, { ocf: true, headerErrorControl: true }]) {
    const options = { ...base, ...extra };
    const read = readLayer(tape, 'aos', options);
    const packets = probePackets(read.tape);
    const { misfits = 0, cut = 0 } = packets[0]?.counts ?? {};
    const wrong = misfits + cut + (read.counts['pointersWrong'] ?? 0);
    if (packets.length > 0 && (!best || wrong < best.misfits))
      best = { options, level: 'packet zone', misfits: wrong, ...read };
  }
  if (best) return best;
  const bits = { ...base, pdu: 'b' };
  const asBits = readLayer(tape, 'aos', bits);
  const { pointersWrong = 0, idleFrames = 0 } = asBits.counts;
  const unknown = [
    'insert zone and operational control field of AOS frames are managed, not sent: where there are some, name them',
  ];
  const used = asBits.tape.data.length > 0;
  if (used && pointersWrong === 0 && idleFrames === 0) return { options: bits, level: 'bytes', unknown, ...asBits };
  const raw = { ...base, pdu: 'raw' };
  return { options: raw, level: 'bytes', unknown, ...readLayer(tape, 'aos', raw) };
}
