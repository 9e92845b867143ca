/** What a running agent says of itself, as far as it goes into a support bundle. */
import type { Settings } from '../settings/settings.js'
import { faultCatalogue, type FaultCode } from '../terms/terms.js'
import { picked, type Shape } from './bundle-shape.js'
import { askStation } from './reach-station.js'

/** Details of faults are left out: they name hosts, paths and devices. The code and its words say what it is. */
const fault: Shape = { code: 'word', for_s: 'number', times: 'number' }

const common: Record<string, Shape> = {
  ...{ at: 'word', clock_error_s: 'number', clock_source: 'word', clock_checked_s: 'number' },
  ...{ boot: 'word', state: 'word', faults: [fault] },
  commands: { '*': 'numbers' },
  energy: {
    ...{ plan: 'word', reason: 'word', rests_on: 'word', last_anchor: 'word', '*': 'numbers' },
    days_to_reserve: { normal: 'number', bad_spell: 'number' },
  },
  seals: { key: 'word', '*': 'numbers' },
}

/** `last_fault` without its detail, which names the broker. */
const link: Shape = { state: 'word', waits: 'word', last_fault: { code: 'word' }, '*': 'numbers' }

const statusShape: Shape = {
  ...common,
  ...{ running_s: 'number', standard_offset_min: 'number' },
  settings: { from: 'word', id: 'word', left_s: 'number' },
  live: [
    {
      ...{
        instrument: 'word',
        age_s: 'number',
        excluded: 'word',
        marked: ['word'],
        counts_again_in_s: 'numbers',
      },
      values: [{ channel: 'word', value: 'number', unit: 'word' }],
    },
  ],
  alerts: [{ rule: 'word', state: 'word', was: 'word', priority: 'word', value: 'word', at: 'word' }],
  troubles: [{ rule: 'word', state: 'word', value: 'word', since: 'word' }],
  delivery: { recipients: [{ ways: ['word'], '*': 'numbers' }], '*': 'numbers' },
  modem: { age_s: 'number' },
  gauges: [{ channel: 'word', value: 'number', unit: 'word', age_s: 'number' }],
  site: { entries: 'number', doubts: 'number' },
  disk: 'numbers',
  lines: { store: 'word', '*': 'numbers' },
  link,
}

const healthShape: Shape = {
  ...common,
  ...{ software: 'word', settings: 'word', session: 'number', mono_s: 'number', resident_mb: 'number' },
  power: 'numbers',
  surroundings: { supply: 'word', '*': 'numbers' },
  instruments: [{ name: 'word', '*': 'numbers' }],
  pairs: [{ '*': 'numbers' }],
  delivery: 'numbers',
  site_log: 'numbers',
  store: { id: 'word', '*': 'numbers' },
  jobs: 'numbers',
  uplink: link,
}

const logShape: Shape = [{ at: 'word', level: 'word', code: 'word', words: 'word', where: ['word'] }]

/** Asks it over its control socket, three times; what does not answer is left out. */
export async function agentFacts(settings: Settings): Promise<Record<string, unknown>> {
  const asked = await askStation(settings, { do: 'status' })
  if (!asked.ok) return { runs: false, why: asked.fault.code }
  const { status } = Object(asked.value) as { status?: unknown }
  const health = await askStation(settings, { do: 'health' })
  const log = await askStation(settings, { do: 'log' })
  return {
    runs: true,
    status: withWords(picked(status, statusShape)),
    ...(health.ok ? { health: picked(Object(health.value).health, healthShape) } : {}),
    ...(log.ok ? { log: picked(Object(log.value).log, logShape) } : {}),
  }
}

/** The words of the catalogue beside each code, so that nobody has to look them up. */
function withWords(status: unknown): unknown {
  const facts = Object(status) as { faults?: { code: string }[] }
  const faults = (facts.faults ?? []).map((one) => ({
    ...one,
    words: Object.hasOwn(faultCatalogue, one.code) ? faultCatalogue[one.code as FaultCode].words : undefined,
  }))
  return { ...facts, faults }
}
