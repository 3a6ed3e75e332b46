// The list of layers a mission file may name. To add one: write its file, add it here.
import { aos } from './aos.js';
import { cadu } from './cadu.js';
import { dvbS2 } from './dvb-s2.js';
import { gse } from './gse.js';
import type { LayerDefinition } from './layer.js';
import { packets } from './packets.js';
import { stream } from './stream.js';
import { tm } from './tm.js';
import { ts } from './ts.js';
import { udp } from './udp.js';

// biome-ignore lint/suspicious/noExplicitAny: each definition checks its own options by its schema
export const LAYERS: ReadonlyMap<string, LayerDefinition<any>> = new Map(
  [dvbS2, stream, cadu, tm, aos, packets, gse, ts, udp].map((layer) => [layer.name, layer]),
);
