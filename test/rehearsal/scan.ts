// Reads recordings by brute force, with nothing of ours: containers by zlib and node-stream-zip, baseband headers by their fixed
// first six bytes and a bitwise CRC-8 (EN 302 307-1, 5.1.4), mission frames by their marker at any offset and a bitwise CRC-16/IBM-3740.
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { gunzipSync } from 'node:zlib';
import StreamZip from 'node-stream-zip';

export type ScannedFrame = { counter: number; file: number; segment: number; payload: Buffer };

/** All recordings of one station in the order of their names, chunk files joined. */
export async function stationBytes(recordings: string, station: string): Promise<Buffer[]> {
  const parts: { name: string; bytes: Buffer }[] = [];
  const add = (name: string, bytes: Buffer): void => {
    parts.push({ name: name.replace(/\.gz$/, ''), bytes: name.endsWith('.gz') ? gunzipSync(bytes) : bytes });
  };
  for (const entry of readdirSync(recordings, { withFileTypes: true })) {
    const path = join(recordings, entry.name);
    if (!entry.name.startsWith(station)) continue;
    if (entry.isDirectory()) for (const name of readdirSync(path)) add(name, readFileSync(join(path, name)));
    else if (!entry.name.endsWith('.zip')) add(entry.name, readFileSync(path));
    else {
      const zip = new StreamZip.async({ file: path });
      for (const name of Object.keys(await zip.entries())) add(name, await zip.entryData(name));
      await zip.close();
    }
  }
  parts.sort((a, b) => (a.name < b.name ? -1 : 1));
  const joined = new Map<string, Buffer[]>();
  for (const { name, bytes } of parts) {
    const recording = name.replace(/-\d{4}\.bin$/, '');
    joined.set(recording, [...(joined.get(recording) ?? []), bytes]);
  }
  return [...joined.values()].map((pieces) => Buffer.concat(pieces));
}

/** Every intact mission frame laid out as in campaign.ts and the samples, `frameBytes` long, in the order of the recording. */
export function scanFrames(recording: Buffer, frameBytes: number, basebandBytes: number): ScannedFrame[] {
  const dfl = (basebandBytes - 10) * 8;
  const fixed = Buffer.from([0x70, 0, 0, 0, dfl >> 8, dfl & 255]);
  const headers: number[] = [];
  for (let at = recording.indexOf(fixed); at >= 0; at = recording.indexOf(fixed, at + 1)) {
    if (at + 10 <= recording.length && bitwiseCrc(recording, at, at + 9, 8, 0xd5, 0) === recording[at + 9])
      headers.push(at);
  }
  const fields = headers.map((at, i) =>
    recording.subarray(at + 10, Math.min(at + basebandBytes, headers[i + 1] ?? Infinity)),
  );
  const stream = Buffer.concat(fields);
  const found: ScannedFrame[] = [];
  const marker = Buffer.from('1acffc1d', 'hex');
  for (let at = stream.indexOf(marker); at >= 0; at = stream.indexOf(marker, at + 1)) {
    const end = at + frameBytes - 2;
    if (end + 2 > stream.length) break;
    if (bitwiseCrc(stream, at, end, 16, 0x1021, 0xffff) !== stream.readUInt16BE(end)) continue;
    found.push({
      counter: stream.readUInt32BE(at + 4),
      file: stream.readUInt16BE(at + 8),
      segment: stream.readUIntBE(at + 10, 3),
      payload: stream.subarray(at + 18, at + 18 + stream.readUInt16BE(at + 16)),
    });
  }
  return found;
}

function bitwiseCrc(bytes: Buffer, start: number, end: number, width: number, poly: number, init: number): number {
  const top = 1 << (width - 1);
  let register = init;
  for (let i = start; i < end; i++) {
    for (let bit = 7; bit >= 0; bit--) {
      const feedback = (register & top ? 1 : 0) ^ ((bytes[i]! >> bit) & 1);
      register = ((register << 1) ^ (feedback ? poly : 0)) & (2 * top - 1);
    }
  }
  return register;
}
