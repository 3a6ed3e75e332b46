// DVB-S2 baseband frames (EN 302 307-1, 5.1.6): proven by the CRC-8 of header after header, each where the one before says.
import type { LayerCounts } from '../layers/layer.js';
import { countsLike, type Finding, type Level, MAX_SIBLINGS } from './finding.js';
import { readLayer, type Tape } from './tape.js';

const LEVELS: Readonly<Record<string, Level>> = {
  'generic packetised': 'packetised',
  'generic continuous': 'continuous',
  'GSE-HEM': 'hem',
  'transport stream': 'transport',
};
const STREAM = /^(generic packetised|generic continuous|GSE-HEM|transport stream)(?:, ISI (\d+))?$/;
const MIN_FRAMES = 3;
/** Of generic packetised streams, which little distinguishes: their UPL may be anything, and tables of programs look alike. */
const MIN_PACKETISED = 12;
/** Of the bytes, so many lie in baseband frames; or fewer, where there are many frames: a receiver out of lock may write noise. */
const SHARE = 0.3;
const LEAST_SHARE = 0.02;
const MANY_FRAMES = 100;

export function probeDvbS2(tape: Tape): Finding[] {
  const { counts } = readLayer(tape, 'dvb-s2');
  const total = tape.data.length;
  const { frames = 0, cut = 0, garbageBytes = 0 } = counts;
  const explained = total - garbageBytes;
  // What looks like a header in a table or a program comes back, but not where the record ends.
  const sound = frames - cut;
  if (sound < MIN_FRAMES || sound < 0.5 * frames) return [];
  if (explained < SHARE * total && (sound < MANY_FRAMES || explained < LEAST_SHARE * total)) return [];
  // A header that is right by accident among thousands makes no stream.
  const least = Math.max(2, frames / 500);
  const streams = countsLike(counts, STREAM).filter(
    ({ key, times }) => times >= (LEVELS[key] === 'packetised' ? Math.max(least, MIN_PACKETISED) : least),
  );
  return streams.slice(0, MAX_SIBLINGS).map(({ key, times, groups: [, isi] }): Finding => {
    const options = isi ? { isi: Number(isi) } : {};
    const own = readLayer(tape, 'dvb-s2', options);
    return {
      layer: 'dvb-s2',
      options,
      proof: `${times} headers of ${key}${isi ? `, ISI ${isi},` : ''} with the right CRC-8; ${recordText(counts)}`,
      counts: own.counts,
      explained: Math.round((explained * times) / frames),
      level: LEVELS[key]!,
      tape: own.tape,
    };
  });
}

/** How records are made: of one size, or of as many as the data fields have; with what before them. */
function recordText(counts: LayerCounts): string {
  const sizes = countsLike(counts, /^record of (\d+) bytes$/);
  const frames = counts['frames'] ?? 0;
  const [most] = sizes;
  const size = most && most.times >= 0.9 * frames ? `records of ${most.key} bytes` : `records of ${sizes.length} sizes`;
  const [ahead] = countsLike(counts, /^mode adaptation (L\.\d)$/);
  const extra = ahead ? `, mode adaptation headers ${ahead.key} before them` : '';
  return `${size}${extra}${(counts['scrambled'] ?? 0) > 0 ? ', scrambled' : ''}`;
}
