// The shape of a mission file, from what the user writes to the typed `Mission`; editors get it as a JSON Schema.
// Rules that need several values at once (what overlaps what) are in cross-checks.ts. Every message says what was expected
// and what was found; where it stands in the file is added by mission-file.ts.
import { z } from 'zod';
import { CRC_CATALOGUE, CRC_NAMES, type CrcParameters } from '../bytes/crc-catalogue.js';
import { expectation } from './expectation.js';
import type { FileFacts, FrameField, FrameLayout, LayerChoice, Mission, SensorFiles } from './mission.js';
import { parameterSetProblem } from './parameter-sets.js';
import { FILE_DELIVERY, transactionFile } from './segmentation.js';

/** Keys whose value is text even where YAML sees a number, as in `crc32: 00112233` or `marker: 12345678`. */
export const TEXT_KEYS: ReadonlySet<string> = new Set(
  'mission name marker poly init xorout crc32 md5 sha1 sha256'.split(' '),
);

type Found = { readonly input?: unknown };

const expected = (what: string, names: readonly string[] = []) => ({
  error: ({ input }: Found): string => expectation(what, input, names),
});

const block = <Shape extends z.ZodRawShape>(what: string, shape: Shape) =>
  z.strictObject(shape, {
    error: ({ code, input }) =>
      code === 'unrecognized_keys'
        ? `unknown key; expected only ${Object.keys(shape).join(', ')}`
        : expectation(what, input),
  });

const wholeNumber = (what: string, min: number, max: number = 2 ** 48 - 1) =>
  z.int(expected(what)).min(min, expected(what)).max(max, expected(what));

const oneOf = <const Name extends string>(names: readonly Name[]) =>
  z.enum(names, expected(`one of ${names.join(', ')}`, names));

const text = (what: string) => z.string(expected(what)).min(1, expected(what));

const pattern = (what: string, form: RegExp) => z.string(expected(what)).regex(form, expected(what));

/** Editors read the YAML as numbers where the digits allow it, so the JSON Schema lets numbers pass. */
const hexadecimal = (what: string, form: RegExp, description: string) =>
  pattern(what, form).meta({ description, type: ['string', 'number'] });

const frameBytes = 'a whole number of bytes, 0 or more';
const endian = oneOf(['big', 'little'])
  .default('big')
  .describe('Byte order. A little-endian field is whole bytes that start at bit 0.');

const rate = pattern('a rate above zero such as 1.9 Mbit/s', /^(?=[0.]*[1-9])\d+(\.\d+)? ?[kMG]?bit\/s$/)
  .describe('Information rate of the mission frames: 9600 bit/s, 250 kbit/s, 1.9 Mbit/s')
  .transform((written) => {
    const exponent = { k: 3, M: 6, G: 9 }[/[kMG](?=bit)/.exec(written)?.[0] ?? ''] ?? 0;
    // Let the decimal parser scale: 1.1 * 1e6 is not a whole number in floating point.
    return Number(`${/^[\d.]+/.exec(written)![0]}e${exponent}`);
  });

const rotation = pattern('a time above zero such as 94 s or 1.5 min', /^(?=[0.]*[1-9])\d+(\.\d+)? ?(s|min)$/)
  .describe('Time of one turn of the spacecraft: 94 s, 1.5 min. Estimated from the receptions when absent.')
  .transform((written) => Number.parseFloat(written) * (written.endsWith('min') ? 60 : 1));

const layerForm = 'the name of a layer, or one name with its options as in {ts: {pid: 0x101}}';
const layer = z
  .union([z.string().min(1), z.record(z.string(), z.record(z.string(), z.unknown()).nullable())], expected(layerForm))
  .refine((entry) => typeof entry === 'string' || Object.keys(entry).length === 1, expected(layerForm))
  .transform((entry): LayerChoice => {
    if (typeof entry === 'string') return { name: entry, options: {} };
    const [name, options] = Object.entries(entry)[0]!;
    return { name, options: options ?? {} };
  });

const field = (description: string) =>
  block('a field such as {at: 4, bits: 32}', {
    at: wholeNumber(frameBytes, 0).describe('Byte offset in the frame'),
    bits: wholeNumber('a width of 1 to 48 bits', 1, 48).describe('Width in bits, 1 to 48'),
    bit: wholeNumber('a bit number from 0 (most significant) to 7', 0, 7)
      .default(0)
      .describe('First bit in that byte; 0 is the most significant'),
    endian,
  }).describe(description) satisfies z.ZodType<FrameField>;

const fields = block('the fields of the frame', {
  counter: field('Counts frames; wraps at its width'),
  file: field('File number'),
  segment: z.exactOptional(field('Index of the segment in its file; either this or offset')),
  offset: z.exactOptional(field('Byte offset of the payload in its file; either this or segment')),
  segments: z.exactOptional(field('Number of segments of the file; goes with segment')),
  bytes: z.exactOptional(field('Size of the file in bytes')),
  length: z.exactOptional(field('Payload bytes used; the whole payload when absent')),
}).meta({ oneOf: [{ required: ['segment'] }, { required: ['offset'] }] });

const parameterKeys = ['width', 'poly', 'init', 'reflected', 'xorout'] as const;
const register = (description: string) =>
  z.exactOptional(hexadecimal('hexadecimal digits', /^(0x)?[0-9a-fA-F]{1,8}$/, description));

const crc = block('the CRC of the frame, such as {name: CRC-16/IBM-3740, at: 1002, covers: [0, 1002]}', {
  name: z
    .exactOptional(oneOf(CRC_NAMES))
    .describe('Catalogue name; instead of width, poly, init, reflected and xorout'),
  width: z.exactOptional(z.literal([8, 16, 24, 32], expected('8, 16, 24 or 32'))).describe('Bits'),
  poly: register('Polynomial without its top bit, hexadecimal'),
  init: register('Start value of the register, hexadecimal'),
  reflected: z.exactOptional(z.boolean(expected('true or false'))).describe('Least significant bit first, in and out'),
  xorout: register('Exclusive-or of the result, hexadecimal'),
  at: wholeNumber(frameBytes, 0).describe('Byte offset of the CRC in the frame'),
  covers: z
    .tuple(
      [wholeNumber(frameBytes, 0), wholeNumber(frameBytes, 0)],
      expected('the bytes covered, [first, first not covered]'),
    )
    .describe('Bytes covered: the first, and the first not covered'),
  endian,
})
  .meta({ oneOf: [{ required: ['name'] }, { required: [...parameterKeys] }] })
  .transform((written, context): FrameLayout['crc'] => {
    const complain = (path: string[], message: string): void => {
      context.issues.push({ code: 'custom', path, message, input: written });
    };
    const { name, at, covers, endian } = written;
    const given = parameterKeys.filter((key) => written[key] !== undefined);
    if (name !== undefined) {
      for (const key of given)
        complain([key], `the name ${name} says this already; give either the name or parameters`);
      return { parameters: CRC_CATALOGUE[name], at, covers, endian };
    }
    if (given.length === 0) complain(['name'], `missing; expected a name, or ${parameterKeys.join(', ')}`);
    else {
      for (const key of parameterKeys) {
        if (!given.includes(key))
          complain([key], `missing; without a name expected all of ${parameterKeys.join(', ')}`);
      }
    }
    const { width = 32, reflected = false } = written;
    const value = (key: 'poly' | 'init' | 'xorout'): number => {
      const number = Number.parseInt(written[key] ?? '1', 16);
      if (number >= 2 ** width) complain([key], expectation(`at most ${width} bits`, written[key]));
      return number;
    };
    const poly = value('poly');
    if (poly === 0)
      complain(['poly'], expectation('a polynomial other than zero, which would let all damage pass', '0'));
    const parameters: CrcParameters = {
      name: `CRC-${width} with polynomial ${poly.toString(16).padStart(width / 4, '0')}`,
      width,
      poly,
      init: value('init'),
      reflected,
      xorout: value('xorout'),
    };
    return { parameters, at, covers, endian };
  });

const frameForm = "the mission's own frame (length, fields, payload, crc)";
const frame = block(frameForm, {
  marker: hexadecimal(
    'bytes in hexadecimal such as 1ACFFC1D',
    /^(0x)?([0-9a-fA-F]{2})+$/,
    'First bytes of every frame, hexadecimal. Absent when the layer below says where frames begin.',
  )
    .optional()
    .transform((digits) => Uint8Array.from(Buffer.from((digits ?? '').replace(/^0x/, ''), 'hex'))),
  length: wholeNumber('a length of 1 byte to 1 MiB', 1, 2 ** 20).describe('Bytes, marker to CRC'),
  fields: fields.describe('Where the numbers stand; big-endian unless said'),
  payload: block('the payload such as {at: 18, size: 984}', {
    at: wholeNumber(frameBytes, 0).describe('Byte offset in the frame'),
    size: wholeNumber('a size of 1 byte or more', 1).describe('Bytes'),
  }).describe('The piece of the file'),
  crc: crc.describe('The CRC that tells an intact frame from a damaged one'),
}).describe(
  "The mission's own frame. Offsets count from the first byte of the marker. Absent where the last layer is cfdp.",
);

const checksumDigits = { crc32: 8, md5: 32, sha1: 40, sha256: 64 } as const;
const checksumAlgorithms = ['crc32', 'md5', 'sha1', 'sha256'] as const;
const checksum = (algorithm: keyof typeof checksumDigits) => {
  const digits = checksumDigits[algorithm];
  return z.exactOptional(
    hexadecimal(
      `${digits} hexadecimal digits`,
      new RegExp(`^(0x)?[0-9a-fA-F]{${digits}}$`),
      `${digits} hexadecimal digits`,
    ),
  );
};

const fileNumber = wholeNumber('a file number, 0 or more', 0).describe(
  'File number, as in the field file of the frame',
);

const entityNumber = wholeNumber('a whole number, 0 or more', 0);
const transaction = z
  .tuple([entityNumber, entityNumber], expected('a transaction such as [1, 42]: source entity and sequence number'))
  .describe('With the layer cfdp, instead of a file number: source entity and sequence number');

const fileFacts = block('what is known of a file, such as {file: 7, name: limb-0007.jpg}', {
  file: z.exactOptional(fileNumber),
  transaction: z.exactOptional(transaction),
  name: z.exactOptional(text('a name')).describe('Its name on the ground'),
  bytes: z.exactOptional(wholeNumber('a size in bytes, 0 or more', 0)).describe('Its size in bytes'),
  crc32: checksum('crc32'),
  md5: checksum('md5'),
  sha1: checksum('sha1'),
  sha256: checksum('sha256'),
})
  .meta({ oneOf: [{ required: ['file'] }, { required: ['transaction'] }] })
  .transform(({ crc32, md5, sha1, sha256, file, ...rest }, context): FileFacts => {
    const { transaction } = rest;
    if ((file === undefined) === (transaction === undefined)) {
      const message =
        file === undefined
          ? expectation('a file number, 0 or more', file)
          : 'expected either file or transaction; found both';
      context.issues.push({ code: 'custom', path: ['file'], message, input: file });
    }
    const facts = { file: file ?? transactionFile(...(transaction ?? [0, 0])), ...rest };
    const sums = { crc32, md5, sha1, sha256 };
    const [algorithm, ...more] = checksumAlgorithms.filter((key) => sums[key] !== undefined);
    if (algorithm === undefined) return facts;
    for (const key of more) {
      context.issues.push({
        code: 'custom',
        path: [key],
        message: `a second checksum; expected one, and ${algorithm} is given`,
        input: sums,
      });
    }
    return { ...facts, checksum: { algorithm, value: sums[algorithm]!.replace(/^0x/, '').toLowerCase() } };
  });

const factor = z
  .number(expected('a factor above zero'))
  .positive(expected('a factor above zero'))
  .max(64, expected('at most 64'));
const sensor = block('raw frames such as {name: "*.raw", width: 576, height: 432, bits: 12}', {
  name: text('a name, in which * stands for any characters').describe(
    'Which files: a name, * stands for any characters',
  ),
  width: wholeNumber('a width in samples', 1, 65535).describe('Samples in a row'),
  height: wholeNumber('a number of rows', 1, 65535).describe('Rows'),
  bits: wholeNumber('8 to 16 bits', 8, 16).describe('Bits of a sample'),
  packing: oneOf(['none', 'high-first', 'low-first'])
    .default('none')
    .describe('none: each sample in whole bytes; else without spare bits, high or low bit first'),
  endian: oneOf(['big', 'little']).default('little').describe('Byte order of samples of two bytes'),
  pattern: oneOf(['mono', 'RGGB', 'BGGR', 'GRBG', 'GBRG'])
    .default('mono')
    .describe('Colours of the first two samples of the first two rows'),
  rows: oneOf(['top-down', 'bottom-up']).default('top-down').describe('Order of the rows'),
  black: wholeNumber('a sample', 0, 65535).default(0).describe('The sample that stands for black'),
  balance: z
    .tuple([factor, factor, factor], expected('factors for red, green and blue'))
    .default([1, 1, 1])
    .describe('White balance: factors for red, green and blue'),
  header: wholeNumber(frameBytes, 0).default(0).describe('Bytes before the first row'),
}).transform(
  ({ name, endian, rows, black, balance, header, ...rest }): SensorFiles => ({
    name,
    layout: {
      ...rest,
      byteOrder: endian,
      rowOrder: rows,
      blackLevel: black,
      whiteBalance: balance,
      headerBytes: header,
    },
  }),
);

const parameterSetsForm =
  'SPS and PPS of H.264, or VPS, SPS and PPS of H.265, in base64 with commas between, as sprop-parameter-sets in RFC 6184';
const parameterSets = z.string(expected(parameterSetsForm)).superRefine((written, context) => {
  const problem = parameterSetProblem(written);
  if (problem !== null)
    context.addIssue({ code: 'custom', message: `expected ${parameterSetsForm}; found: ${problem}` });
});

const files = block('what is known of the files (descriptor, catalogue, sensors, parameterSets)', {
  descriptor: z
    .exactOptional(
      block('the descriptor file such as {file: 0}', {
        file: fileNumber,
        format: oneOf(['csv', 'json']).default('csv').describe('How it is written'),
      }),
    )
    .describe('The file whose content lists names, sizes and checksums of the others'),
  catalogue: z.array(fileFacts, expected('a list of files')).default([]).describe('Files known on the ground'),
  sensors: z
    .exactOptional(z.array(sensor, expected('a list of raw frames')))
    .describe('How raw frames of cameras are laid out, so that they can be shown'),
  parameterSets: z
    .exactOptional(z.array(parameterSets, expected('a list, one entry for each way clips are coded')))
    .describe(`For clips whose own did not arrive, one entry for each way they are coded: ${parameterSetsForm}`),
});

/** For editors: either the mission's own frame, or a file delivery as the last layer. */
const frameOrDelivery = {
  if: {
    properties: {
      layers: { contains: { anyOf: [{ const: FILE_DELIVERY }, { type: 'object', required: [FILE_DELIVERY] }] } },
    },
  },
  // biome-ignore lint/suspicious/noThenProperty: a keyword of JSON Schema
  then: { not: { required: ['frame'] } },
  else: { required: ['frame'] },
};

/**
 * A mission file, read from YAML or JSON, with the values under `TEXT_KEYS` as text. Gives the typed mission; what the
 * values say together is not checked yet.
 */
export const missionSchema: z.ZodType<Mission> = block('a mission file (mission, downlink, layers, frame, files)', {
  mission: text('the name of the mission').describe('Name of the mission'),
  downlink: block('the downlink (rate, rotation)', {
    rate: z.exactOptional(rate),
    rotation: z.exactOptional(rotation),
  })
    .default({})
    .describe('What is known of the sending'),
  layers: z
    .array(layer, expected('a list of layers'))
    .min(1, expected('at least one layer'))
    .describe(
      'From the recording inwards to the mission frame, or to the file delivery cfdp: names, or a name with options as in {ts: {pid: 0x101}}',
    ),
  frame: z.exactOptional(frame),
  files: files.default({ catalogue: [] }).describe('How names, sizes and checksums of the files are known'),
})
  .describe('How to get from recordings of a downlink to its files')
  .meta(frameOrDelivery)
  .refine(({ layers, frame }) => frame !== undefined || layers.some(({ name }) => name === FILE_DELIVERY), {
    path: ['frame'],
    error: expectation(frameForm, undefined),
    // Also beside other mistakes, but not where the frame has its own.
    when: ({ value, issues }) => {
      const known = value as Partial<Mission> | undefined;
      return Array.isArray(known?.layers) && !issues.some(({ path }) => path?.[0] === 'frame');
    },
  })
  .transform(({ mission, downlink, ...rest }) => ({
    name: mission,
    downlink: {
      ...(downlink.rate !== undefined && { bitsPerSecond: downlink.rate }),
      ...(downlink.rotation !== undefined && { rotationSeconds: downlink.rotation }),
    },
    ...rest,
  }));
