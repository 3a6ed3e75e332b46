// The mission file of the project's own scenario; the tests count lines and columns in it.
export const example = `mission: Dotterel
downlink:
  rate: 1.9 Mbit/s
  rotation: 94 s
layers:
  - dvb-s2
  - stream
frame:
  marker: 1ACFFC1D
  length: 1004
  fields:
    counter:  { at: 4, bits: 32 }
    file:     { at: 8, bits: 16 }
    segment:  { at: 10, bits: 24 }
    segments: { at: 13, bits: 24 }
    length:   { at: 16, bits: 16 }
  payload: { at: 18, size: 984 }
  crc: { name: CRC-16/IBM-3740, at: 1002, covers: [0, 1002] }
files:
  descriptor: { file: 0 }
  catalogue:
    - { file: 7, name: limb-0007.jpg, bytes: 1048576, crc32: 1a2b3c4d }
`;

/** The example with some of its text exchanged; each `from` must be there exactly once. */
export const exampleWith = (...exchanges: readonly (readonly [from: string, to: string])[]): string =>
  exchanges.reduce((text, [from, to]) => {
    const pieces = text.split(from);
    if (pieces.length !== 2) throw new Error(`${JSON.stringify(from)} is in the example ${pieces.length - 1} times`);
    return pieces.join(to);
  }, example);
