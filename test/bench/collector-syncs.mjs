// Imported before the collector: writes how often it synced when it gets SIGUSR2.
import { writeFileSync } from 'node:fs'
import { counted } from './count-syncs.mjs'

process.on('SIGUSR2', () => writeFileSync(process.env.BENCH_SYNCS, `${counted.syncs}\n`))
