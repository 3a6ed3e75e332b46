// MPEG transport streams (ISO/IEC 13818-1, 2.4), plain or in baseband frames: follows one PID and hands on what it carries: data
// piping, sections, IP datagrams in sections, SNDUs, or the packets themselves.
import { z } from 'zod';
import { UsageError } from '../errors.js';
import { UserPacketWriter } from './baseband-ts.js';
import { etherTypeOf } from './extension-header.js';
import type { Decoder, Encoder, LayerCounts, LayerDefinition, Receiver } from './layer.js';
import type { LocatedBuffer } from './located-buffer.js';
import { MpeDecoder, writeMpeSection } from './mpe.js';
import { CRC_BYTES, LONG_HEADER_BYTES, SectionDecoder, writeSection } from './sections.js';
import { TsFraming } from './ts-framing.js';
import { NULL_PID, PACKET_BYTES, pidAt, SYNC_BYTE } from './ts-packet.js';
import { packetWriter, StreamPacker, UnitPacker } from './ts-packing.js';
import { UleDecoder, writeSndu } from './ule.js';

type Carry = 'pipe' | 'sections' | 'mpe' | 'ule' | 'program';

type Options = {
  /** Absent = the first PID that carries payload twice, besides those of the standards' own tables. For the encoder: default 256. */
  pid?: number | undefined;
  /** How the data lie in the packets. `pipe` (default): EN 301 192, clause 4; `program`: whole packets are handed on. */
  carry?: Carry | undefined;
  /** Packets are user packets of transport stream baseband frames. Default 'auto': found out by content; the encoder: false. */
  baseband?: boolean | 'auto' | undefined;
  /** For `sections`: whether a unit is the whole section (default) or its body, without header and CRC-32. */
  headers?: 'keep' | 'strip' | undefined;
  /** For `sections`: table_id handed on; absent = every one. For the encoder: default 0x80, the first user-defined one. */
  table?: number | undefined;
  /** For `mpe` and `ule`: receiver's address handed on, 6 bytes in hex; absent = every one. */
  address?: string | undefined;
  /** For `ule`: EtherType handed on; absent = every one. For the encoder: default IP, by the PDU's version. */
  protocol?: number | undefined;
};

const optionsSchema: z.ZodType<Options> = z.strictObject({
  pid: z
    .number()
    .int()
    .min(0)
    .max(NULL_PID - 1)
    .optional(),
  carry: z.enum(['pipe', 'sections', 'mpe', 'ule', 'program']).optional(),
  baseband: z.union([z.boolean(), z.literal('auto')]).optional(),
  headers: z.enum(['keep', 'strip']).optional(),
  table: z.number().int().min(0).max(0xfe).optional(),
  address: z
    .string()
    .regex(/^[0-9a-f]{12}$/i, '6 bytes in hex')
    .optional(),
  protocol: z.number().int().min(0x600).max(0xffff).optional(),
});

export const ts: LayerDefinition<Options> = {
  name: 'ts',
  source: 'ISO/IEC 13818-1, 2.4; EN 302 307-1, annex D; EN 301 192, 4 and 7; RFC 4326',
  options: optionsSchema,
  decoder: (options, next) => new TsDecoder(options, next),
  encoder: (options, emit) => makeEncoder(options, emit),
};

/** The highest PID that the standards keep for tables of their own. */
const LAST_TABLE_PID = 31;
/** Packets kept while it is not known which PID to follow. */
const MAX_WAITING = 64;

/** What takes the payloads of the PID followed. */
interface Carrier {
  payload(source: LocatedBuffer, start: number, end: number, starts: boolean): void;
  gap(): void;
  counts(): LayerCounts;
}

/** Holds the packet read last, what `TsFraming` and the carrier hold, and up to 64 packets until the PID is known. */
class TsDecoder implements Decoder {
  readonly #next: Receiver;
  readonly #framing: TsFraming;
  /** `undefined` where whole packets are handed on. */
  readonly #carrier: Carrier | undefined;
  #pid: number;
  #waiting: LocatedBuffer[] = [];
  #continuity = -1;
  #isRepeated = false;
  /** The last packet with payload. */
  readonly #last = new Uint8Array(PACKET_BYTES);
  readonly #pids = new Map<number, number>();
  readonly #counts = {
    transportErrors: 0,
    scrambled: 0,
    malformed: 0,
    notSound: 0,
    duplicates: 0,
    continuityJumps: 0,
    packetsLost: 0,
  };

  constructor(options: Options, next: Receiver) {
    this.#next = next;
    this.#pid = options.pid ?? -1;
    this.#carrier = options.carry === 'program' ? undefined : makeCarrier(options, next);
    this.#framing = new TsFraming(options.baseband ?? 'auto', {
      packet: (source, start, sound) => this.#packet(source, start, sound),
    });
  }

  push(buffer: Uint8Array, start: number, end: number, at: number, unitStart: number): void {
    this.#framing.push(buffer, start, end, at, unitStart);
  }

  /** Which packets are lost the continuity counter tells, if not whole rounds of 16: that the CRCs of the units show. */
  gap(): void {
    this.#framing.gap();
  }

  /** Packets go on in the next data field. */
  unitEnd(): void {}

  end(): void {
    this.#framing.end();
    if (this.#pid < 0 && this.#waiting.length > 0) this.#follow(pidAt(this.#waiting[0]!.bytes, 0));
    this.#next.end();
  }

  counts(): LayerCounts {
    const counts: Record<string, number> = { ...this.#framing.counts(), ...this.#counts, ...this.#carrier?.counts() };
    for (const [pid, times] of this.#pids) counts[`PID ${pid}`] = times;
    return counts;
  }

  #packet(source: LocatedBuffer, start: number, sound: boolean): void {
    const { bytes } = source;
    if ((bytes[start + 1]! & 0x80) !== 0) {
      this.#counts.transportErrors++;
      return;
    }
    const pid = pidAt(bytes, start);
    if (sound) this.#pids.set(pid, (this.#pids.get(pid) ?? 0) + 1);
    else this.#counts.notSound++;
    if (pid === this.#pid) this.#read(source, start, sound);
    else if (this.#pid < 0 && sound && (bytes[start + 3]! & 0xd0) === 0x10) this.#wait(source, start, pid);
  }

  /** One packet may have a damaged PID: the first PID met twice is followed, from its first packet on. */
  #wait(source: LocatedBuffer, start: number, pid: number): void {
    if (pid <= LAST_TABLE_PID || pid === NULL_PID) return;
    const isKnown = this.#waiting.some(({ bytes }) => pidAt(bytes, 0) === pid);
    this.#waiting.push(source.copyOf(start, start + PACKET_BYTES));
    if (isKnown || this.#waiting.length === MAX_WAITING) this.#follow(pid);
  }

  #follow(pid: number): void {
    this.#pid = pid;
    for (const packet of this.#waiting) if (pidAt(packet.bytes, 0) === pid) this.#read(packet, 0, true);
    this.#waiting = [];
  }

  #read(source: LocatedBuffer, start: number, sound: boolean): void {
    const { bytes } = source;
    const control = bytes[start + 3]!;
    // Nothing proves a whole packet but its own CRC-8; payloads have their CRCs further in.
    if (!sound && !this.#carrier) return;
    if ((control & 0xc0) !== 0) {
      this.#counts.scrambled++;
      return;
    }
    const hasPayload = (control & 0x10) !== 0;
    let from = start + 4;
    let isDiscontinuous = false;
    if ((control & 0x20) !== 0) {
      const length = bytes[from]!;
      isDiscontinuous = length > 0 && (bytes[from + 1]! & 0x80) !== 0;
      from += 1 + length;
    }
    const end = start + PACKET_BYTES;
    if ((control & 0x30) === 0 || from > (hasPayload ? end - 1 : end)) {
      this.#counts.malformed++;
      return;
    }
    if (!hasPayload) {
      if (!sound) return;
      if (isDiscontinuous) this.#continuity = control & 15;
    } else if (!this.#isNext(bytes, start, isDiscontinuous, sound)) {
      return;
    }
    if (this.#carrier) {
      if (hasPayload) this.#carrier.payload(source, from, end, (bytes[start + 1]! & 0x40) !== 0);
    } else {
      this.#next.push(bytes, start, end, source.offsetOf(start), start);
      this.#next.unitEnd();
    }
  }

  /** Counts on, and says when packets are missing; false for a packet sent again, which may be once. */
  #isNext(bytes: Buffer, start: number, isDiscontinuous: boolean, sound: boolean): boolean {
    const continuity = bytes[start + 3]! & 15;
    const missing = this.#continuity < 0 ? 0 : (continuity - this.#continuity - 1) & 15;
    if (missing !== 0 && !isDiscontinuous) {
      if (missing === 15 && !this.#isRepeated && (!sound || this.#isSame(bytes, start))) {
        this.#isRepeated = true;
        this.#counts.duplicates++;
        return false;
      }
      this.#counts.continuityJumps++;
      this.#counts.packetsLost += missing;
      if (this.#carrier) this.#carrier.gap();
      this.#next.gap();
    }
    this.#continuity = continuity;
    this.#isRepeated = false;
    bytes.copy(this.#last, 0, start, start + PACKET_BYTES);
    return true;
  }

  /** Whether the packet is the last one over again; its clock reference may differ. */
  #isSame(bytes: Uint8Array, start: number): boolean {
    const last = this.#last;
    const hasClock = (bytes[start + 3]! & 0x20) !== 0 && bytes[start + 4]! >= 7 && (bytes[start + 5]! & 0x10) !== 0;
    for (let i = start + 1; i < start + PACKET_BYTES; i++) {
      if (bytes[i] !== last[i - start] && !(hasClock && i >= start + 6 && i < start + 12)) return false;
    }
    return true;
  }
}

function makeCarrier({ carry, headers, table, address, protocol }: Options, next: Receiver): Carrier {
  const handOn = (bytes: Uint8Array, start: number, end: number, at: number): void => {
    next.push(bytes, start, end, at, start);
    next.unitEnd();
  };
  const wanted = address === undefined ? undefined : Buffer.from(address, 'hex');
  if (carry === 'ule') return new UleDecoder(protocol, wanted, handOn);
  if (carry === 'mpe') {
    const mpe = new MpeDecoder(wanted, handOn);
    return sectionCarrier(new SectionDecoder((bytes, end, at) => mpe.section(bytes, end, at)), mpe.counts);
  }
  if (carry === 'sections') {
    const counts = { otherTables: 0 };
    const [before, behind] = headers === 'strip' ? [LONG_HEADER_BYTES, CRC_BYTES] : [0, 0];
    const sections = new SectionDecoder((bytes, end, at) => {
      if (table !== undefined && bytes[0] !== table) counts.otherTables++;
      else handOn(bytes, before, end - behind, at + before);
    });
    return sectionCarrier(sections, counts);
  }
  return {
    payload: (source, start, end) => next.push(source.bytes, start, end, source.offsetOf(start), -1),
    gap: () => undefined,
    counts: () => ({}),
  };
}

function sectionCarrier(sections: SectionDecoder, counts: LayerCounts): Carrier {
  return {
    payload: (source, start, end, starts) => sections.payload(source, start, end, starts),
    gap: () => sections.gap(),
    counts: () => ({ ...sections.counts, ...counts }),
  };
}

const BROADCAST_ADDRESS = 'ffffffffffff';

/** Emits packets, or user packets for transport stream baseband frames, which the layer below may cut where it likes. */
function makeEncoder(options: Options, emit: Encoder['push']): Encoder {
  const { pid = 256, carry, baseband, headers, table = 0x80, protocol } = options;
  const users = baseband === true ? new UserPacketWriter() : undefined;
  const emitPacket = (packet: Uint8Array): void => emit(users?.write(packet) ?? packet, true);
  const writer = packetWriter(pid, emitPacket);
  const address = options.address === undefined ? undefined : Buffer.from(options.address, 'hex');
  if (carry === 'ule') {
    const packer = new UnitPacker(2, writer);
    return {
      push: (unit) => packer.push(writeSndu(protocol ?? etherTypeOf(unit), address, unit)),
      flush: () => packer.flush(),
    };
  }
  if (carry === 'mpe' || carry === 'sections') {
    const packer = new UnitPacker(1, writer);
    const mac = address ?? Buffer.from(BROADCAST_ADDRESS, 'hex');
    const wrap = (unit: Uint8Array): Uint8Array => {
      if (carry === 'mpe') return writeMpeSection(mac, unit);
      return headers === 'strip' ? writeSection({ tableId: table }, unit) : checkedSection(unit);
    };
    return { push: (unit) => packer.push(wrap(unit)), flush: () => packer.flush() };
  }
  if (carry === 'program') return { push: (unit) => emitPacket(checkedPacket(unit, pid)), flush: () => undefined };
  return new StreamPacker(writer);
}

function checkedSection(unit: Uint8Array): Uint8Array {
  const length = unit.length >= 3 ? ((unit[1]! & 15) << 8) | unit[2]! : -1;
  if (unit.length === length + 3) return unit;
  throw new UsageError(
    `ts: ${unit.length} bytes are not a section; to have sections made of them, set ts.headers to strip`,
  );
}

function checkedPacket(unit: Uint8Array, pid: number): Uint8Array {
  if (unit.length === PACKET_BYTES && unit[0] === SYNC_BYTE && pidAt(unit, 0) === pid) return unit;
  throw new UsageError(`ts: with carry program, units are whole packets of PID ${pid}; got ${unit.length} bytes`);
}
