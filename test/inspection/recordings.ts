// Writes recordings into a folder of the test run and inspects them.
import { type InspectedChain, type Inspection, inspect } from '../../src/inspect.js';
import { workFolder } from '../intake/material.js';

const folder = workFolder();

export const put = (name: string, bytes: Uint8Array): string => folder.put(name, bytes);

/** What inspect says of a file with these bytes, recording by recording. */
export async function inspectAll(bytes: Uint8Array, name = 'recording.bin'): Promise<Inspection[]> {
  const { inspections, problems } = await inspect([put(name, bytes)]);
  if (problems.length > 0) throw problems[0];
  return inspections;
}

export async function inspectOne(bytes: Uint8Array, name?: string): Promise<Inspection & { chain: InspectedChain }> {
  const [one] = await inspectAll(bytes, name);
  return { ...one!, chain: one!.chain! };
}

/** A chain on one line: `dvb-s2 > ts(pid 257) > frame(1ACFFC1D, 420)`. */
export function chainText({ layers, frame }: InspectedChain['chains'][number]): string {
  const told = layers.map(({ name, options }) => {
    const words = Object.entries(options).map(([key, value]) => `${key} ${String(value)}`);
    return words.length > 0 ? `${name}(${words.join(', ')})` : name;
  });
  if (frame) told.push(`frame(${frame.marker || 'no marker'}, ${frame.length}, ${frame.crc.name})`);
  return told.join(' > ');
}
