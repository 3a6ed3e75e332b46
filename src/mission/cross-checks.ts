// What the values of a mission file say together: nothing outside the frame, nothing on top of each other, numbers that fit.
import { FRAME_FIELD_NAMES } from './frame-fields.js';
import type { FrameLayout, Mission } from './mission.js';
import { FILE_DELIVERY, FILE_NUMBER_BITS } from './segmentation.js';

/** A mistake and the path of the value that shows it. */
export type Problem = { readonly path: readonly PropertyKey[]; readonly message: string };

/** A stretch of the frame, in bits, end exclusive. */
type Region = { readonly name: string; readonly path: readonly string[]; readonly start: number; readonly end: number };

const regionsOf = ({ marker, fields, payload, crc }: FrameLayout): Region[] => {
  const bytes = (name: string, path: string[], at: number, size: number): Region => ({
    name,
    path: ['frame', ...path],
    start: 8 * at,
    end: 8 * (at + size),
  });
  return [
    bytes('the marker', ['marker'], 0, marker.length),
    ...FRAME_FIELD_NAMES.flatMap((name) => {
      const field = fields[name];
      if (!field) return [];
      const start = 8 * field.at + field.bit;
      return [{ name: `the field ${name}`, path: ['frame', 'fields', name], start, end: start + field.bits }];
    }),
    bytes('the payload', ['payload'], payload.at, payload.size),
    bytes('the CRC', ['crc', 'at'], crc.at, crc.parameters.width / 8),
  ];
};

/** A bit position as the mission file writes it. */
const position = (bit: number): string => (bit % 8 === 0 ? `byte ${bit / 8}` : `byte ${bit >> 3} bit ${bit % 8}`);

const range = ({ start, end }: Region): string => `[${position(start)}, ${position(end)})`;

const checkRegions = (frame: FrameLayout): Problem[] => {
  const inside = ({ end }: Region): boolean => end <= 8 * frame.length;
  return regionsOf(frame).flatMap((region, n, all) => {
    if (!inside(region)) {
      const message = `${region.name} is at ${range(region)}; expected it inside the ${frame.length} bytes of the frame`;
      return [{ path: region.path, message }];
    }
    return all
      .slice(0, n)
      .filter((other) => inside(other) && other.start < region.end && region.start < other.end)
      .map((other) => ({
        path: region.path,
        message: `${region.name} at ${range(region)} overlaps ${other.name} at ${range(other)}`,
      }));
  });
};

const checkFields = ({ fields, payload }: FrameLayout): Problem[] => {
  const problems: Problem[] = [];
  const complain = (path: string[], message: string): void => {
    problems.push({ path: ['frame', 'fields', ...path], message });
  };
  for (const name of FRAME_FIELD_NAMES) {
    const field = fields[name];
    if (field?.endian === 'little' && (field.bit !== 0 || field.bits % 8 !== 0)) {
      complain([name, 'endian'], `little endian is for whole bytes; found ${field.bits} bits from bit ${field.bit}`);
    }
  }
  if (!fields.segment && !fields.offset) complain(['segment'], 'missing; expected either segment or offset');
  if (fields.segment && fields.offset) complain(['offset'], 'expected either segment or offset; found both');
  if (fields.segments && !fields.segment) {
    complain(['segments'], 'segments goes with segment; with offset, expected bytes (the size of the file)');
  }
  if (fields.length && payload.size >= 2 ** fields.length.bits) {
    complain(
      ['length', 'bits'],
      `expected enough bits to count a payload of ${payload.size} bytes; found ${fields.length.bits}`,
    );
  }
  return problems;
};

const checkCrc = ({ crc, length }: FrameLayout): Problem[] => {
  const path = ['frame', 'crc', 'covers'];
  const [start, end] = crc.covers;
  if (start >= end) return [{ path, message: `expected [first, first not covered]; found [${start}, ${end}]` }];
  if (end > length) return [{ path, message: `expected at most ${length}, the length of the frame; found ${end}` }];
  const crcEnd = crc.at + crc.parameters.width / 8;
  if (start < crcEnd && crc.at < end) {
    return [{ path, message: `[${start}, ${end}) covers the CRC itself, which is at [${crc.at}, ${crcEnd})` }];
  }
  return [];
};

/** Where files come by the standard, numbers, names and sizes are its affair. */
const checkDelivery = ({ layers, frame, files }: Mission): Problem[] => {
  const problems: Problem[] = layers
    .slice(0, -1)
    .flatMap(({ name }, n) =>
      name === FILE_DELIVERY
        ? [{ path: ['layers', n], message: `${FILE_DELIVERY} delivers the files; expected it as the last layer` }]
        : [],
    );
  if (frame) {
    const message = `with the layer ${FILE_DELIVERY} files are not in frames of the mission's own; expected no frame`;
    problems.push({ path: ['frame'], message });
  }
  if (files.descriptor) {
    const message = `with the layer ${FILE_DELIVERY} names, sizes and checksums come with the files; expected no descriptor`;
    problems.push({ path: ['files', 'descriptor'], message });
  }
  return problems;
};

const checkFiles = ({ layers, frame, files }: Mission): Problem[] => {
  const numbers = files.catalogue.map(({ file, transaction }, n) => ({
    file,
    name: transaction ? `transaction [${transaction.join(', ')}]` : `file ${file}`,
    path: ['files', 'catalogue', n, transaction ? 'transaction' : 'file'],
  }));
  const delivers = layers.some(({ name }) => name === FILE_DELIVERY);
  const transactions = numbers.filter((_, n) => !delivers && files.catalogue[n]!.transaction);
  if (transactions.length > 0) {
    const message = `only the layer ${FILE_DELIVERY} has transactions; expected file`;
    return transactions.map(({ path }) => ({ path, message }));
  }
  const bits = delivers || !frame ? FILE_NUMBER_BITS : frame.fields.file.bits;
  const all = files.descriptor
    ? [{ file: files.descriptor.file, path: ['files', 'descriptor', 'file'] }, ...numbers]
    : numbers;
  const tooLarge = all
    .filter(({ file }) => file >= 2 ** bits)
    .map(({ file, path }) => ({
      path,
      message: `expected a number that fits the ${bits}-bit field file; found ${file}`,
    }));
  const seen = new Set<number>();
  const repeated = numbers
    .filter(({ file }) => seen.size === seen.add(file).size)
    .map(({ name, path }) => ({
      path,
      message: `${name} is in the catalogue already; expected each ${name.split(' ')[0] === 'file' ? 'number' : 'transaction'} once`,
    }));
  return [...tooLarge, ...repeated];
};

/** Finds what is wrong between the values of a mission that are each right by themselves. */
export function crossChecks(mission: Mission): Problem[] {
  const { frame, layers } = mission;
  const delivers = layers.some(({ name }) => name === FILE_DELIVERY);
  if (delivers || !frame) return [...checkDelivery(mission), ...checkFiles(mission)];
  return [...checkFields(frame), ...checkRegions(frame), ...checkCrc(frame), ...checkFiles(mission)];
}
