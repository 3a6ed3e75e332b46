// Captures for the tests: Ethernet frames around our own IP packets, and files made of them.

import { type PcapWriting, writePcapHeader, writePcapRecord } from '../../src/intake/pcap.js';
import { PcapngWriter } from '../../src/intake/pcapng.js';
import type { Block, Recording } from '../../src/intake/source.js';
import { addressBytes } from '../../src/network/ip-address.js';
import { writeIpPackets } from '../../src/network/ip-packet.js';
import { UDP, writeUdpDatagram } from '../../src/network/udp-datagram.js';

/** 14 March 2027, 02:15:30 UTC. */
export const START: number = Date.UTC(2027, 2, 14, 2, 15, 30);

export type Packet = { readonly bytes: Uint8Array; readonly time: number };

export type Sending = { address?: string; port?: number; id?: number; mtu?: number };

/** The IP packets of one datagram. */
export function ipPackets(
  payload: Uint8Array,
  { address = '239.1.1.1', port = 5005, id = 1, mtu = 1500 }: Sending = {},
): Uint8Array[] {
  const destination = addressBytes(address)!;
  const source = addressBytes(destination.length === 4 ? '192.0.2.1' : '2001:db8::1')!;
  const datagram = writeUdpDatagram(source, destination, 40001, port, payload);
  return writeIpPackets({ source, destination, protocol: UDP, id, mtu }, datagram);
}

export function ethernet(ip: Uint8Array): Buffer {
  const type = ip[0]! >> 4 === 4 ? '0800' : '86dd';
  return Buffer.concat([
    Buffer.from(`01005e010101020000000001${type}`, 'hex'),
    ip,
    Buffer.alloc(Math.max(0, 46 - ip.length)),
  ]);
}

export function pcap(packets: readonly Packet[], writing: Partial<PcapWriting> = {}): Buffer {
  const full = { linkType: 1, ...writing };
  return Buffer.concat([
    writePcapHeader(full),
    ...packets.map(({ bytes, time }) => writePcapRecord(full, bytes, time)),
  ]);
}

export function pcapng(packets: readonly Packet[], order: 'big' | 'little' = 'little', linkType = 1): Buffer {
  const writer = new PcapngWriter(order);
  return Buffer.concat([
    writer.section(),
    writer.interface(linkType),
    ...packets.map(({ bytes, time }) => writer.packet(0, bytes, time)),
  ]);
}

/** One datagram every `stepMs`. */
export function datagrams(payloads: readonly Uint8Array[], sending: Sending = {}, stepMs = 10): Packet[] {
  return payloads.flatMap((payload, i) =>
    ipPackets(payload, { ...sending, id: (i % 65535) + 1 }).map((ip) => ({
      bytes: ethernet(ip),
      time: START + i * stepMs,
    })),
  );
}

export type CopiedBlock = { bytes: Buffer; at: number; gap: boolean; receivedAt: number | undefined };

/** The blocks of a recording, copied; its error, if there is one, is thrown. */
export async function readBlocks(recording: Recording): Promise<CopiedBlock[]> {
  const blocks: CopiedBlock[] = [];
  let at = 0;
  for await (const block of recording.blocks()) {
    if (block.at !== at || block.bytes.length === 0)
      throw new Error(`a block of ${block.bytes.length} at ${block.at} where ${at} comes next`);
    at += block.bytes.length;
    blocks.push(copied(block));
  }
  return blocks;
}

const copied = ({ bytes, at, gap, receivedAt }: Block): CopiedBlock => ({
  bytes: Buffer.from(bytes),
  at,
  gap: gap === true,
  receivedAt,
});

export const joined = (blocks: readonly CopiedBlock[]): Buffer => Buffer.concat(blocks.map(({ bytes }) => bytes));
