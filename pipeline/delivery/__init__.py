"""Reports out of the house: `watch` keeps them up to date with a drop folder, `mail` sends each of them once; `verbs`
puts both on the command line."""
