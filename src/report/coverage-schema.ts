// The schema of coverage.json: the same shape as the type `Coverage`, with the meaning and unit of every field.
// The build exports it as JSON Schema (draft 2020-12), so that other programs can check what they read.
import { z } from 'zod';
import type { Coverage } from '../coverage/coverage.js';

const count = (meaning: string) => z.int().min(0).describe(meaning);
const text = (meaning: string) => z.string().describe(meaning);
const nullable = <Type extends z.ZodType>(type: Type, meaning: string) => type.nullable().describe(meaning);

const firstLast = z
  .tuple([count('First number missing.'), count('Last number missing, inclusive.')])
  .describe('One range, both ends inclusive.');

const station = z.strictObject({
  name: text('Name of the station.'),
  recordings: count('Number of recordings handed in.'),
  bytes: count('Bytes of these recordings, containers undone.'),
  frames: z
    .strictObject({
      read: count('Frames found: intact + damaged.'),
      intact: count('Frames with a valid CRC.'),
      damaged: count('Frames with an invalid CRC.'),
      duplicate: count('Transmissions heard here that another station heard too.'),
      overlapping: count('Intact frames of transmissions that this station had recorded before.'),
      lost: count('Transmissions between the first and the last frame of a recording that did not arrive intact here.'),
    })
    .describe('Frames, by transmission.'),
  segments: z
    .strictObject({
      received: count('Distinct segments received.'),
      onlyHere: count('Of these, segments that no other station holds.'),
      repeated: count('Transmissions that repeated a segment already had from this station.'),
    })
    .describe('Segments, whichever transmission brought them.'),
});

const recording = z.strictObject({
  station: text('Name of the station that handed it in.'),
  name: text('Name of the recording as given.'),
  xxh64: text('XXH64 of its content, hexadecimal.'),
  bytes: count('Bytes, containers undone.'),
  frames: z
    .strictObject({
      intact: count('Frames with a valid CRC.'),
      damaged: count('Frames with an invalid CRC.'),
    })
    .describe('Frames found in it.'),
  problems: z.array(z.string()).describe('What went wrong with it, in words; empty when nothing did.'),
});

const pixels = { width: count('Pixels across.'), height: count('Pixels down.') };
const media = z
  .union([
    z.strictObject({ kind: z.literal('picture'), format: text('Name of the picture format.'), ...pixels }),
    z.strictObject({
      kind: z.literal('video'),
      format: text('Name of the container format.'),
      codec: text('Name of the video coding.'),
      ...pixels,
      seconds: z.number().min(0).describe('Duration, seconds.'),
      frames: count('Number of pictures decoded.').exactOptional(),
    }),
    z.strictObject({ kind: z.literal('other'), format: text('Name of the format.') }),
  ])
  .nullable()
  .describe('What a general decoder says of a file that is whole or unproven; null otherwise.');

const file = z.strictObject({
  id: text('File number, followed by "." and the edition where there are several.'),
  file: count('File number.'),
  edition: z.int().min(1).describe('1 for the first content seen under this file number, then counting up.'),
  name: text('Name, made safe for use as a file name.'),
  bytes: nullable(z.int().min(0), 'Size, bytes; null while it is unknown.'),
  state: z
    .enum(['whole', 'unproven', 'partial', 'disputed'])
    .describe(
      'whole: checksum matched. unproven: all segments in, no checksum known. partial: segments are missing. ' +
        'disputed: all segments in, but the checksum fails or conflicts are undecided.',
    ),
  path: nullable(z.string(), 'Where it was written, below the output folder; null when nothing was written.'),
  checksum: z
    .strictObject({
      algorithm: text('Name of the checksum.'),
      expected: text('The value that was announced, hexadecimal.'),
      actual: nullable(z.string(), 'The value of the bytes received, hexadecimal; null while some are missing.'),
      matches: nullable(z.boolean(), 'Whether both agree; null while bytes are missing.'),
    })
    .nullable()
    .describe('The checksum of the whole file; null when none is known.'),
  segments: z
    .strictObject({
      total: count('Segments of the file.'),
      received: count('Distinct segments received, all stations together.'),
      unit: z.enum(['segment', 'byte']).describe('What `missing` counts: segment numbers or byte positions, from 0.'),
      missing: z.array(firstLast).describe('Ranges that nobody received, ascending.'),
    })
    .describe('Segments of the file.'),
  conflicts: z
    .array(
      z.strictObject({
        segment: count('Segment number.'),
        variants: count('Number of different contents that arrived with a valid CRC.'),
        decided: z.enum(['checksum', 'majority', 'undecided']).describe('What decided between them.'),
      }),
    )
    .describe('Segments for which different contents arrived.'),
  stations: z.record(z.string(), count('Distinct segments.')).describe('Distinct segments of this file, by station.'),
  media,
  salvage: z
    .strictObject({
      path: text('Where it was written, below the output folder.'),
      note: text('What was done to make it, in words.'),
    })
    .nullable()
    .describe('What can be looked at of an incomplete picture or clip; null when nothing can.'),
});

const totals = z.strictObject({
  files: z
    .strictObject({
      whole: count('Files that are whole.'),
      unproven: count('Files that are unproven.'),
      partial: count('Files that are partial.'),
      disputed: count('Files that are disputed.'),
    })
    .describe('Number of files, by state.'),
  segments: z
    .strictObject({
      total: count('Segments of all known files.'),
      received: count('Distinct segments received.'),
      missing: count('Segments nobody received.'),
    })
    .describe('Segments of all files.'),
  bytes: z.strictObject({ whole: count('Bytes of the files that are whole.') }).describe('Bytes of all files.'),
  frames: z
    .strictObject({
      read: count('Frames found: intact + damaged.'),
      intact: count('Frames with a valid CRC.'),
      damaged: count('Frames with an invalid CRC.'),
    })
    .describe('Frames of all stations.'),
  transmissions: z
    .strictObject({
      received: count('Distinct transmissions heard by anyone.'),
      acrossStations: count('How often a transmission was heard by a further station.'),
      acrossRepeats: count('How often a transmission repeated a segment already held.'),
    })
    .describe('Transmissions of all stations.'),
});

const document = z.strictObject({
  format: z.literal('passweave-coverage/1').describe('Name and version of this format.'),
  mission: text('Name of the mission.'),
  stations: z.array(station).describe('What each station contributed.'),
  recordings: z.array(recording).describe('Every recording handed in, once.'),
  files: z.array(file).describe('Every file known, received or not.'),
  totals: totals.describe('Sums over stations and files.'),
  notes: z.array(z.string()).describe('What the reader should know, in words.'),
});

/** `Schema` where `A` and `B` are the same type, else `never`: two types are the same when no condition tells them apart. */
type WhereSame<A, B, Schema> = (<T>() => T extends A ? 1 : 2) extends <T>() => T extends B ? 1 : 2 ? Schema : never;

/** Exactly `Coverage`: unknown keys are refused. Parsing gives the keys in the order of this file. */
export const coverageSchema: z.ZodType<Coverage> = document satisfies WhereSame<
  z.infer<typeof document>,
  Coverage,
  z.ZodType<Coverage>
>;
