// Generic Stream Encapsulation (TS 102 606-1): proven by lengths that add up to the data field, field after field, and by the CRC-32
// of fragmented PDUs.
import { LABEL_TYPE } from '../layers/gse-packet.js';
import { chainStart, garbageBefore } from './chain-start.js';
import { countsLike, type Finding, MAX_SIBLINGS, outOf } from './finding.js';
import { isIp } from './ip-probe.js';
import { readLayer, type Tape } from './tape.js';

const MIN_FIELDS = 3;
const MIN_CHAIN = 8;

/** Whether the packet lengths of the data field add up to its end, or to zeros as padding, with at least one packet before. */
function addsUp(data: Uint8Array, start: number, end: number): boolean {
  let at = start;
  while (end - at >= 2 && data[at]! >> 4 !== 0) at += packetBytes(data, at);
  if (at === start || at > end) return false;
  for (let i = at; i < end; i++) if (data[i] !== 0) return false;
  return true;
}

const packetBytes = (data: Uint8Array, at: number): number => 2 + (((data[at]! & 15) << 8) | data[at + 1]!);

export function probeGse(tape: Tape): Finding[] {
  const fields = tape.units();
  let right = 0;
  let bytes = 0;
  for (const { start, end } of fields) {
    if (!addsUp(tape.data, start, end)) continue;
    right++;
    bytes += end - start;
  }
  if (right < Math.min(MIN_FIELDS, fields.length) || right < 0.5 * fields.length || right === 0) return [];
  return byProtocol(tape, {}, `packet lengths of ${outOf(right, fields.length)} data fields add up`, bytes);
}

/** GSE-HEM: packets cross the fields, and SYNCD tells where one begins. */
export function probeGseHem(tape: Tape): Finding[] {
  const { counts } = readLayer(tape, 'gse', { crossFrames: true });
  const { pdus = 0, malformed = 0, cut = 0, crc32Wrong = 0 } = counts;
  if (pdus < MIN_FIELDS || malformed + crc32Wrong > 0.1 * pdus || cut > pdus) return [];
  return byProtocol(tape, { crossFrames: true }, `${pdus} PDUs end where SYNCD says`, tape.data.length);
}

/** GSE packets one after the other, without baseband frames around them: as the payloads of datagrams may be captured. */
export function probeBareGse(tape: Tape): Finding[] {
  const { data } = tape;
  let ipPackets = 0;
  const first = chainStart(data.length, MIN_CHAIN, (at) => {
    const kind = data[at]! >> 4;
    const starts = kind >> 3 === 1;
    if (kind === 0 || (!starts && (kind & 3) !== LABEL_TYPE.reuse)) return -1;
    const typeAt = at + (kind >> 2 === 3 ? 2 : 5);
    const isKnown = starts && [0x0800, 0x86dd].includes((data[typeAt]! << 8) | data[typeAt + 1]!);
    if (starts && !isKnown) return -1;
    if (isKnown) ipPackets++;
    return at + packetBytes(data, at);
  });
  if (first < 0 || ipPackets === 0) return [];
  const rest = tape.from(first);
  const { counts } = readLayer(rest, 'gse');
  const { pdus = 0, malformed = 0, crc32Wrong = 0 } = counts;
  if (pdus < MIN_CHAIN || malformed + crc32Wrong > 0.2 * pdus) return [];
  const unknown = garbageBefore(first, 'gse');
  return byProtocol(rest, {}, `${pdus} PDUs one after the other, lengths right`, rest.data.length).map((finding) => ({
    ...finding,
    unknown,
  }));
}

function byProtocol(tape: Tape, options: Readonly<Record<string, unknown>>, proof: string, bytes: number): Finding[] {
  const { counts } = readLayer(tape, 'gse', options);
  const protocols = countsLike(counts, /^protocol (0x[0-9a-f]{4})$/).filter(
    ({ times }) => times >= (counts['pdus'] ?? 0) / 200,
  );
  const pdus = protocols.reduce((sum, { times }) => sum + times, 0);
  return protocols.slice(0, MAX_SIBLINGS).map(({ key, times }): Finding => {
    const all = { ...options, ...(protocols.length > 1 && { protocol: Number(key) }) };
    return {
      layer: 'gse',
      options: all,
      proof: `${proof}; ${times} PDUs of protocol ${key}`,
      explained: Math.round((bytes * times) / pdus),
      level: isIp(key) ? 'ip' : 'bytes',
      ...readLayer(tape, 'gse', all),
    };
  });
}
