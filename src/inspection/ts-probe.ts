// MPEG transport streams (ISO/IEC 13818-1): proven by continuity counters that go up by one, PID by PID. What a PID carries is told
// by its CRC-32s (sections, MPE, ULE), by the start codes of a programme (PES), and else taken for data piping.
import type { LocatedBuffer } from '../layers/located-buffer.js';
import { MPE_TABLE_ID } from '../layers/mpe.js';
import { TsFraming } from '../layers/ts-framing.js';
import { NULL_PID, PACKET_BYTES, pidAt } from '../layers/ts-packet.js';
import { TsSync } from '../layers/ts-sync.js';
import { countsLike, type Finding, type Level, MAX_SIBLINGS, outOf } from './finding.js';
import { isIp } from './ip-probe.js';
import { readLayer, type Tape } from './tape.js';

/** Below, PIDs are kept for the standards' own tables. */
const FIRST_FREE_PID = 0x20;
const MIN_STEPS = 6;

type Pid = {
  packets: number;
  /** Pairs of packets, and those of them that count on. */
  pairs: number;
  steps: number;
  continuity: number;
  /** Payloads that begin a unit, and those of them with a PES start code. */
  starts: number;
  startCodes: number;
};

type Survey = { readonly pids: Map<number, Pid>; packets: number };

function survey(tape: Tape, baseband: boolean): Survey & { period: number } {
  const found: Survey = { pids: new Map(), packets: 0 };
  const sink = {
    packet: (source: LocatedBuffer, start: number, sound: boolean) => note(found, source.bytes, start, sound),
  };
  const framing = baseband ? new TsFraming(true, sink) : new TsSync(sink);
  tape.play({
    push: (bytes, start, end, at, unit) => framing.push(bytes, start, end, at, unit),
    gap: () => framing.gap(),
    unitEnd: () => undefined,
    end: () => framing.end(),
  });
  return { ...found, period: framing instanceof TsSync ? framing.period : PACKET_BYTES };
}

function note(found: Survey, bytes: Uint8Array, start: number, sound: boolean): void {
  found.packets++;
  if (!sound || (bytes[start + 1]! & 0x80) !== 0 || (bytes[start + 3]! & 0x10) === 0) return;
  const number = pidAt(bytes, start);
  const continuity = bytes[start + 3]! & 15;
  const pid = found.pids.get(number) ?? { packets: 0, pairs: 0, steps: 0, continuity: -1, starts: 0, startCodes: 0 };
  found.pids.set(number, pid);
  pid.packets++;
  if (pid.continuity >= 0) {
    pid.pairs++;
    if (((continuity - pid.continuity) & 15) === 1) pid.steps++;
  }
  pid.continuity = continuity;
  if ((bytes[start + 1]! & 0x40) === 0) return;
  pid.starts++;
  const payload = start + 4 + ((bytes[start + 3]! & 0x20) === 0 ? 0 : 1 + bytes[start + 4]!);
  if (bytes[payload] === 0 && bytes[payload + 1] === 0 && bytes[payload + 2] === 1) pid.startCodes++;
}

export const probeTs = (tape: Tape): Finding[] => probe(tape, false);
export const probeBasebandTs = (tape: Tape): Finding[] => probe(tape, true);

function probe(tape: Tape, baseband: boolean): Finding[] {
  const { pids, packets, period } = survey(tape, baseband);
  const counted = [...pids].filter(([pid]) => pid !== NULL_PID);
  const pairs = counted.reduce((sum, [, pid]) => sum + pid.pairs, 0);
  const steps = counted.reduce((sum, [, pid]) => sum + pid.steps, 0);
  if (steps < MIN_STEPS || steps < 0.5 * pairs || packets * period < 0.3 * tape.data.length) return [];
  const tables = counted
    .filter(([pid]) => pid < FIRST_FREE_PID)
    .map(([pid, { packets: times }]) => `${pid} (${times})`);
  const unknown = tables.length > 0 ? [`PIDs of the standards' own tables, not looked into: ${tables.join(', ')}`] : [];
  return counted
    .filter(([number, pid]) => number >= FIRST_FREE_PID && pid.packets >= 3 && pid.packets >= packets / 500)
    .sort(([, a], [, b]) => b.packets - a.packets)
    .slice(0, MAX_SIBLINGS)
    .flatMap(([number, pid], i) => {
      const proof = `${outOf(pid.steps, pid.pairs)} continuity counters of PID ${number} go on; a packet every ${period} bytes`;
      const base = { pid: number, ...(baseband && { baseband: true }) };
      return carried(tape, base, pid).map((carry) => ({
        ...carry,
        layer: 'ts',
        proof: `${proof}; ${carry.proof}`,
        explained: pid.packets * period,
        unknown: [...(i === 0 ? unknown : []), ...(carry.unknown ?? [])],
      }));
    });
}

type Carried = Pick<Finding, 'options' | 'proof' | 'counts' | 'level' | 'tape' | 'unknown'>;

/** How a PID carries its data: the way whose CRC-32s are right. */
function carried(tape: Tape, base: Readonly<Record<string, unknown>>, pid: Pid): Carried[] {
  const as = (
    options: Readonly<Record<string, unknown>>,
    proof: string,
    level: Level,
    unknown: string[] = [],
  ): Carried => {
    const all = { ...base, ...options };
    return { options: all, proof, level, unknown, ...readLayer(tape, 'ts', all) };
  };
  const sections = readLayer(tape, 'ts', { ...base, carry: 'sections' });
  const right = sections.counts['sections'] ?? 0;
  if (right >= 2 && right > (sections.counts['crc32Wrong'] ?? 0)) {
    const tables = new Map<number, number>();
    for (const { start } of sections.tape.units()) {
      const table = sections.tape.data[start]!;
      tables.set(table, (tables.get(table) ?? 0) + 1);
    }
    return [...tables].map(([table, times]) => {
      const proof = `${times} sections of table ${table} with the right CRC-32`;
      if (table === MPE_TABLE_ID) return as({ carry: 'mpe' }, proof, 'ip');
      return as({ carry: 'sections', headers: 'strip', ...(tables.size > 1 && { table }) }, proof, 'bytes');
    });
  }
  const sndus = readLayer(tape, 'ts', { ...base, carry: 'ule' }).counts;
  if ((sndus['sndus'] ?? 0) >= 2 && sndus['sndus']! > (sndus['crc32Wrong'] ?? 0)) {
    const protocols = countsLike(sndus, /^protocol (0x[0-9a-f]{4})$/);
    return protocols.slice(0, MAX_SIBLINGS).map(({ key, times }) => {
      const options = { carry: 'ule', ...(protocols.length > 1 && { protocol: Number(key) }) };
      return as(options, `${times} SNDUs of protocol ${key} with the right CRC-32`, isIp(key) ? 'ip' : 'bytes');
    });
  }
  if (pid.startCodes >= 2 && pid.startCodes >= 0.8 * pid.starts) {
    const proof = `${outOf(pid.startCodes, pid.starts)} units that start have a PES start code`;
    const what = 'a programme (PES), kept whole as packets; no mission data are looked for in it';
    return [as({ carry: 'program' }, proof, 'programme', [`PID ${String(base['pid'])} carries ${what}`])];
  }
  return [as({}, 'no sections, SNDUs or PES: taken for data piping', 'bytes')];
}
