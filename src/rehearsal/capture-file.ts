// A recording as a network capture would hold it: pcapng (IETF opsawg draft), Ethernet, IPv4 in fragments, UDP. The bytes of the
// recording follow each other through the datagrams, as demodulators send them on; each baseband frame may lie across two.
import { closeSync, openSync, readSync, writeSync } from 'node:fs';
import { PcapngWriter } from '../intake/pcapng.js';
import { addressBytes } from '../network/ip-address.js';
import { writeIpPackets } from '../network/ip-packet.js';
import { UDP, writeUdpDatagram } from '../network/udp-datagram.js';

const ETHERNET = 1;
const DATAGRAM_BYTES = 4096;
const MTU = 1500;
/** Multicast, within one organisation (RFC 2365), and an address for documentation (RFC 5737). */
const DESTINATION = addressBytes('239.192.0.1')!;
const SOURCE = addressBytes('192.0.2.1')!;
const PORT = 5005;
const ETHERNET_HEADER = Buffer.from('01005e4000010200000000010800', 'hex');

/**
 * Writes the bytes of the file `from` as the capture `to`, which must not exist.
 *
 * @param startedAt when its first byte came, ms since 1970 UTC
 * @param bytesPerSecond the pace from there on
 */
export function writeCaptureFile(from: string, to: string, startedAt: number, bytesPerSecond: number): void {
  const input = openSync(from, 'r');
  const output = openSync(to, 'wx');
  const writer = new PcapngWriter();
  writeSync(output, writer.section());
  writeSync(output, writer.interface(ETHERNET));
  const payload = Buffer.alloc(DATAGRAM_BYTES);
  for (let at = 0, id = 1; ; id = (id % 65535) + 1) {
    const size = readSync(input, payload, 0, DATAGRAM_BYTES, at);
    if (size === 0) break;
    const datagram = writeUdpDatagram(SOURCE, DESTINATION, 40001, PORT, payload.subarray(0, size));
    const sending = { source: SOURCE, destination: DESTINATION, protocol: UDP, id, mtu: MTU };
    const time = startedAt + (1000 * at) / bytesPerSecond;
    for (const packet of writeIpPackets(sending, datagram)) {
      writeSync(output, writer.packet(0, Buffer.concat([ETHERNET_HEADER, packet]), time));
    }
    at += size;
  }
  closeSync(input);
  closeSync(output);
}
