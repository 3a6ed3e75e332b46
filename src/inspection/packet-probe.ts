// Space packets (CCSDS 133.0-B): proven by lengths that add up and by sequence counts that go on, APID by APID.
import { PACKET_VERSION, packetBytesAt } from '../layers/packets-header.js';
import { probeCfdp } from './cfdp-probe.js';
import { chainStart, garbageBefore } from './chain-start.js';
import { countsLike, type Finding, MAX_SIBLINGS } from './finding.js';
import { readLayer, type Tape } from './tape.js';

const MIN_PACKETS = 4;
const MIN_CHAIN = 6;
/** Counts by accident leap by thousands at each packet; the silence of half a turn is thousands once. */
const MOST_LOST = 200;
/** Without frames around them a few may be an accident. */
const MIN_BARE = 16;
/** No secondary header is longer: the packet is then too short for it, which the layer counts. */
const LONGEST_SECONDARY = 65536;
/** Of secondary headers that are tried. */
const MAX_SECONDARY = 16;

export function probePackets(tape: Tape): Finding[] {
  const { counts } = readLayer(tape, 'packets');
  const { packets = 0, idlePackets = 0, misfits = 0, cut = 0, lost = 0, countsBack = 0 } = counts;
  const apids = countsLike(counts, /^APID (\d+)$/);
  const real = packets - idlePackets;
  if (real < MIN_PACKETS || misfits + cut > 0.3 * packets || countsBack > 0.1 * real) return [];
  if (lost > MOST_LOST * real || apids.length > real / 2) return [];
  return apids
    .filter(({ times }) => times >= real / 200)
    .slice(0, MAX_SIBLINGS)
    .map(({ key, times }) => ofApid(tape, Number(key), times, real));
}

function ofApid(tape: Tape, apid: number, times: number, packets: number): Finding {
  const own = (options: object): ReturnType<typeof readLayer> => readLayer(tape, 'packets', { apid, ...options });
  const hasCrc = (own({ crc: true }).counts['crcWrong'] ?? 0) <= 0.2 * times;
  const checked = hasCrc ? { crc: true } : {};
  const flagged = own({ join: false, secondaryHeader: LONGEST_SECONDARY }).counts['tooShort'] ?? 0;
  const secondaryHeader =
    flagged > 0.5 * times ? secondaryBytes((size) => own({ ...checked, secondaryHeader: size }).tape) : 0;
  const options = { apid, ...checked, ...(secondaryHeader > 0 && { secondaryHeader }) };
  const unknown =
    secondaryHeader < 0
      ? [`packets of APID ${apid} have a secondary header (${flagged} of ${times}), whose length nothing tells`]
      : [];
  const { counts, tape: inside } = own(options);
  const ends = hasCrc ? ', and with the right CRC-16 at the end' : '';
  return {
    layer: 'packets',
    options,
    proof: `${times} packets of APID ${apid} whose lengths add up and whose counts go on${ends}`,
    counts,
    explained: Math.round((tape.data.length * times) / packets),
    level: 'bytes',
    tape: inside,
    unknown,
  };
}

/** How long the secondary headers are: behind the right length PDUs of file delivery begin. -1 where nothing tells. */
function secondaryBytes(behind: (size: number) => Tape): number {
  const sizes = Array.from({ length: MAX_SECONDARY }, (_, i) => i + 1);
  return sizes.find((size) => probeCfdp(behind(size)).length > 0) ?? -1;
}

/** Packets one after the other in a recording, without frames around them. */
export function probeBarePackets(tape: Tape): Finding[] {
  const { data } = tape;
  const first = chainStart(data.length, MIN_CHAIN, (at) =>
    data[at]! >> 5 === PACKET_VERSION.space ? at + Math.max(0, packetBytesAt(data, at, data.length)) : -1,
  );
  if (first < 0) return [];
  const rest = tape.from(first);
  const { packets = 0 } = readLayer(rest, 'packets').counts;
  if (packets < MIN_BARE) return [];
  return probePackets(rest).map((finding) => ({
    ...finding,
    unknown: [...(finding.unknown ?? []), ...garbageBefore(first, 'packets')],
  }));
}
