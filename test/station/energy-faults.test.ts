import { describe, expect, it } from 'vitest'
import { FaultBoard } from '../../agent/health/health.js'
import type { newPanelHealth } from '../../agent/power/power.js'
import { type Ledger } from '../../agent/power/power.js'
import { BoardOff } from '../../agent/station/board-off.js'
import { bookEnergy } from '../../agent/station/energy-books.js'
import { noEnergy } from '../../agent/power/power.js'
import { newEnergy, readEnergy } from '../../agent/station/energy-state.js'
import { ModemHours } from '../../agent/station/modem-hours.js'
import { bad, done, InFlight, monoSeconds, type BoardPower } from '../../agent/terms/terms.js'

const codes = (faults: FaultBoard): string[] => faults.list().map(({ code }) => code)

describe('ledger, modem and board of a station', () => {
  it('tells load that nothing explains, and a panel that gives less than it used to, when a day is over', () => {
    const faults = new Map<string, string | undefined>()
    const told: string[] = []
    const books = {
      tell: (name: string) => void told.push(name),
      fault: (code: string, detail: string | undefined) => void faults.set(code, detail),
    }
    const panel = { recent: Array<number>(13).fill(0.4), learnedShare: 0.9 }
    const minute = (hour: number, solarWatts: number) => ({
      hour,
      seconds: 600,
      reading: { volts: 13, amperes: (solarWatts - 6) / 13, solarWatts },
      sun: { elevationDegrees: 30, clearWatts: 50 },
      isFull: false,
      expectedWattHours: 100,
      consumers: { board: 1 },
    })
    let state = { ...newEnergy(undefined), panel: panel as typeof newPanelHealth, ledger: {} as Ledger }
    for (let step = 0; step <= 24 * 6; step++)
      state = { ...state, ...bookEnergy(state, minute(Math.floor(step / 6), 20), books) }
    expect(faults.get('load-unexplained')).toContain('6.00 W measured, 1.00 W')
    expect(faults.get('panel-weak')).toContain('40 % of a clear sky of late, 90 % before')
    expect(told.filter((name) => name === 'energy-hour')).toHaveLength(24)
    expect(told.filter((name) => name === 'energy-day')).toHaveLength(1)
    expect(state.harvest.days).toHaveLength(1)
  })

  it('opens the window of the modem by its hours, holds it shut after a hard cut, and tells a switch that fails', async () => {
    const faults = new FaultBoard(() => undefined)
    const set: boolean[] = []
    const supply = {
      name: 'modem',
      set: (on: boolean) => (set.push(on), Promise.resolve(bad('sensor-switch-failed', 'modem'))),
    }
    const works = new InFlight()
    const options = { everyMinutes: 60, onMinutes: 10, fromHours: 6, toHours: 20, standardOffsetMinutes: 0 }
    const utcAt = (now: number) => (now * 1000) as never
    const modem = new ModemHours(options, supply, faults, utcAt, (work) => works.track(work))
    const at = (hour: number, minute: number) => monoSeconds(hour * 3600 + minute * 60)
    expect(modem.mayConnect(at(5, 5), false)).toBe(false)
    expect(modem.mayConnect(at(6, 5), false)).toBe(true)
    expect(modem.mayConnect(at(6, 15), false)).toBe(false)
    expect(modem.mayConnect(at(7, 1), true)).toBe(false)
    await works.settled()
    expect(set.slice(0, 3)).toEqual([false, true, false])
    expect(codes(faults)).toContain('sensor-switch-failed')
  })

  it('never ends a board whose waking was not proven; else all is safe and told before it is', async () => {
    for (const proven of [false, true]) {
      const faults = new FaultBoard(() => undefined)
      const order: string[] = []
      const board: BoardPower = {
        name: 'alarm',
        isProven: () => Promise.resolve(proven),
        offFor: (seconds) => (order.push(`off for ${seconds}`), Promise.resolve(done)),
      }
      const works = new InFlight()
      const off = new BoardOff({
        board,
        faults,
        tell: (name) => void order.push(name),
        makeSafe: () => (order.push('safe'), Promise.resolve()),
        track: (work) => works.track(work),
      })
      for (let look = 0; look < 20; look++) {
        off.look(true, 3600, monoSeconds(look * 60))
        await works.settled()
      }
      expect(order).toEqual(proven ? ['power-off', 'safe', 'off for 3600'] : [])
      expect(codes(faults)).toEqual(proven ? [] : ['wake-unproven'])
    }
  })

  it('takes nothing from a checkpoint that is none', () => {
    for (const odd of [undefined, null, 7, [], { v: 2 }]) expect(readEnergy(odd, undefined)).toBeUndefined()
    const kept = readEnergy({ v: 1, hardCuts: -0.5, harvest: { bestByHour: [1] }, ledger: 3 }, undefined)
    const hour = { ...noEnergy(5), solarWattHours: { toString: 1 } }
    expect(readEnergy({ v: 1, ledger: { hour } }, undefined)?.ledger).toEqual({})
    const { drawnWattHours, ...day } = noEnergy(0)
    expect(readEnergy({ v: 1, ledger: { day } }, undefined)?.ledger).toEqual({})
    const whole = { day: { ...day, drawnWattHours }, bestShare: 0.5 }
    expect(readEnergy({ v: 1, ledger: whole }, undefined)?.ledger).toEqual(whole)
    expect(kept).toMatchObject({ hardCuts: 0, ledger: {}, clean: false })
  })
})
