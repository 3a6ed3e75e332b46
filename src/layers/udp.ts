// UDP in IP packets, as GSE, MPE and ULE carry them: fragments put together, payloads of the chosen destination handed on. Standards:
// RFC 768 (UDP), RFC 791 (IPv4), RFC 8200 (IPv6).
import { z } from 'zod';
import { RollingBuffer } from '../bytes/rolling-buffer.js';
import { UsageError } from '../errors.js';
import { DatagramReceiver, type DatagramSink, type Destination } from '../network/datagram-receiver.js';
import { addressBytes, addressText } from '../network/ip-address.js';
import { writeIpPackets } from '../network/ip-packet.js';
import { UDP, UDP_HEADER_BYTES, writeUdpDatagram } from '../network/udp-datagram.js';
import type { Decoder, Encoder, LayerCounts, LayerDefinition, Receiver } from './layer.js';

type Options = {
  /** Destination port; absent = any. For the encoder 5005 where absent. */
  port?: number | undefined;
  /** Destination address, IPv4 or IPv6; absent = any. For the encoder 239.192.0.1, administratively scoped (RFC 2365), where absent. */
  address?: string | undefined;
  /** For the encoder: its own address. Default 192.0.2.1 or 2001:db8::1, of the ranges for documentation (RFC 5737, RFC 3849). */
  source?: string | undefined;
  /** For the encoder: bytes of the longest IP packet; longer datagrams go in fragments. Default 1500. */
  mtu?: number | undefined;
};

const SMALLEST_MTU = 68; // RFC 791, 3.2
const LONGEST_PAYLOAD = 65535 - 20 - UDP_HEADER_BYTES;
const LONGEST_PACKET = 65535 + 40;

const address = z
  .string()
  .refine((text) => addressBytes(text) !== null, 'expected an IPv4 or IPv6 address, such as 239.192.0.1');

const optionsSchema: z.ZodType<Options> = z
  .strictObject({
    port: z.number().int().min(1).max(65535).optional(),
    address: address.optional(),
    source: address.optional(),
    mtu: z.number().int().min(SMALLEST_MTU).max(65535).optional(),
  })
  .refine((options) => !options.source || addressBytes(options.source)!.length === destinationOf(options).length, {
    path: ['source'],
    message: 'expected an address of the same IP version as that of the destination',
  });

const destinationOf = (options: Options): Uint8Array => addressBytes(options.address ?? '239.192.0.1')!;

export const udp: LayerDefinition<Options> = {
  name: 'udp',
  source: 'RFC 768',
  options: optionsSchema,
  decoder: (options, next) => new UdpDecoder(options, next),
  encoder: (options, emit) => new UdpEncoder(options, emit),
};

/** Destinations counted by name; the rest is counted together. */
const MAX_COUNTED = 64;

class UdpDecoder implements Decoder, DatagramSink {
  readonly #next: Receiver;
  readonly #port: number | undefined;
  readonly #address: string | undefined;
  readonly #receiver = new DatagramReceiver(this);
  /** The IP packet that is being received. */
  readonly #buffer = new RollingBuffer();
  #at = 0;
  readonly #destinations = new Map<string, number>();

  constructor({ port, address: text }: Options, next: Receiver) {
    this.#next = next;
    this.#port = port;
    const bytes = text === undefined ? null : addressBytes(text);
    this.#address = bytes ? addressText(bytes, 0, bytes.length) : undefined;
  }

  push(buffer: Uint8Array, start: number, end: number, at: number): void {
    if (this.#buffer.length === 0) this.#at = at;
    // Nothing behind the longest packet there is belongs to it.
    this.#buffer.append(buffer, start, Math.min(end, start + LONGEST_PACKET - this.#buffer.length));
  }

  /** What is half received is lost. */
  gap(): void {
    this.#buffer.clear();
    this.#next.gap();
  }

  unitEnd(): void {
    const { bytes, start, end } = this.#buffer;
    if (end > start) this.#receiver.packet(bytes, start, end, this.#at, Number.NaN);
    this.#buffer.clear();
  }

  end(): void {
    this.unitEnd();
    this.#receiver.end();
    this.#next.end();
  }

  datagram(to: Destination, bytes: Uint8Array, start: number, end: number, at: number): void {
    const name = this.#destinations.has(to.name) || this.#destinations.size < MAX_COUNTED ? to.name : 'UDP elsewhere';
    this.#destinations.set(name, (this.#destinations.get(name) ?? 0) + 1);
    if (!this.#isWanted(to) || end === start) return;
    this.#next.push(bytes, start, end, at, start);
    this.#next.unitEnd();
  }

  lost(to: Destination | undefined): void {
    if (!to || this.#isWanted(to)) this.#next.gap();
  }

  counts(): LayerCounts {
    return { ...this.#receiver.counts(), ...Object.fromEntries(this.#destinations) };
  }

  #isWanted({ address: to, port }: Destination): boolean {
    return (this.#port === undefined || port === this.#port) && (this.#address === undefined || to === this.#address);
  }
}

/** One datagram for each unit; units that may be cut are cut to datagrams that need no fragments. */
class UdpEncoder implements Encoder {
  readonly #emit: Encoder['push'];
  readonly #port: number;
  readonly #source: Uint8Array;
  readonly #destination: Uint8Array;
  readonly #mtu: number;
  #id = 0;

  constructor(options: Options, emit: Encoder['push']) {
    this.#emit = emit;
    this.#port = options.port ?? 5005;
    this.#destination = destinationOf(options);
    this.#source = addressBytes(options.source ?? (this.#destination.length === 4 ? '192.0.2.1' : '2001:db8::1'))!;
    this.#mtu = options.mtu ?? 1500;
  }

  /** @throws UsageError when a unit that may not be divided is longer than a datagram can be */
  push(unit: Uint8Array, divisible = false): void {
    if (divisible) {
      const room = this.#mtu - (this.#destination.length === 4 ? 20 : 40) - UDP_HEADER_BYTES;
      for (let from = 0; from < unit.length; from += room) this.#send(unit.subarray(from, from + room));
      return;
    }
    if (unit.length > LONGEST_PAYLOAD) {
      throw new UsageError(
        `udp: ${unit.length} bytes do not fit a datagram of at most ${LONGEST_PAYLOAD}; send smaller units`,
      );
    }
    this.#send(unit);
  }

  flush(): void {}

  #send(payload: Uint8Array): void {
    this.#id++;
    const datagram = writeUdpDatagram(this.#source, this.#destination, this.#port, this.#port, payload);
    const sending = {
      source: this.#source,
      destination: this.#destination,
      protocol: UDP,
      id: this.#id,
      mtu: this.#mtu,
    };
    for (const packet of writeIpPackets(sending, datagram)) this.#emit(packet);
  }
}
